"""What is said of a taped value that the rest contradicts: one sentence, wherever it stands."""

from calib.report.spoken import spoken


def tape_says(quantity: str, unit: str, tape: float, without: float, sds: float) -> str:
    """A taped value beside what all else says of it.

    Parameters
    ----------
    unit : str
        "m" or "deg", of the values.
    tape, without : float
        As taped, and as solved without it.
    sds : float
        How far apart, in sds of the difference.

    Examples
    --------
    >>> tape_says("boom_length", "m", 4.615, 4.6308, 3.1)
    'The taped boom length of 4615.0 mm is 15.8 mm less than the 4630.8 mm of all else (3.1 sd)'
    """
    def shown(value):
        return f"{value:.2f} deg" if unit == "deg" else f"{1000 * value:.1f} mm"

    way = "more" if tape > without else "less"
    return (f"The taped {spoken(quantity)} of {shown(tape)} is {shown(abs(tape - without))} {way} "
            f"than the {shown(without)} of all else ({abs(sds):.1f} sd)")
