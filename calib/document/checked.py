"""The document of check shots against a result."""

from pydantic import Field

from calib.document.judged import Check


class CheckTold(Check):
    """What ``calib check`` prints: passed is within the tolerance, and no offset in common."""

    requirement: list[str] = Field(description="of the result: what to enter, what to trust, "
                                   "whether the taped set-up is good enough")
    says: str
    tolerance_source: str
    further_out_than_their_sds_allow: list[str] = Field(description="ids of shots")
    offset_says: str
    cautions: list[str]
