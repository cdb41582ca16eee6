"""The words of the trade that the report uses, a line each."""

from calib.report.blocks import Section, Table
from calib.report.words.glossary import words


def glossary() -> Section:
    """What the words mean."""
    return Section("words", "Words", (
        Table("As this report uses them; calib help WORD says more", ("word", "means"),
              [[w.name, w.means] for w in words() if w.report], wide=(1,), folded=True),
    ))
