"""What is to be done with a result; `ResultRecord.decision` says which."""

from enum import StrEnum


class Decision(StrEnum):
    """Enter its values, enter them once a taped length agrees, or do not enter them."""

    ENTER, NOT_YET, DO_NOT = "enter", "not yet", "do not enter"
