"""What a reader must see first of a result: whether to use it, what took no part, what is out."""

from calib.document.record import Decision, ResultRecord
from calib.document.solved import Reading, Shot
from calib.report.spoken import spoken_values
from calib.report.words.requirement import YES, enter


def not_to_enter(document: ResultRecord) -> str:
    """The warning of a result that is not to be entered as it is, with the reason; else empty."""
    answer = enter(document)
    return "" if answer.answer == YES else str(answer)


def stamp(document: ResultRecord) -> str:
    """What every sheet of a result that is not to be entered carries; empty of one that is."""
    return {Decision.ENTER: "", Decision.NOT_YET: "NOT TO BE ENTERED YET. ",
            Decision.DO_NOT: "NOT TO BE ENTERED. "}[document.decision]


def left_out(document: ResultRecord) -> str:
    """What was set aside, by name; empty if everything took part."""
    names = spoken_values((value.name for value in document.set_aside.values),
                          document.reading_names)
    return f"Set aside, so that it took no part: {names}." if names else ""


def mark(record: Shot | Reading, document: ResultRecord) -> str:
    """"suspect" of a shot or reading beyond chance, "flagged" within chance, else empty.

    Parameters
    ----------
    record : Shot or Reading
        One of the document.
    """
    if not record.suspect:
        return ""
    pose = record.pose
    own = ({f"{pose}/{record.reading}"} if isinstance(record, Reading)
           else {record.shot, f"pose:{pose}"})
    beyond = {s.name for s in document.suspects if s.beyond_chance}
    return "suspect" if own & beyond else "flagged"
