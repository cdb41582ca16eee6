"""Text for a terminal: tables whose words stay whole."""

from calib.report.blocks import Section, Table
from calib.report.press.terminal import WIDTH, plain


def printed(columns, row):
    """A table of one row as text."""
    return plain([Section("s", "", (Table("Invented", columns, [row]),))])


def test_words_of_a_crowded_table_stay_whole():
    """The widest columns give way first, between words."""
    row = ["one", "attachment", "2031-03-04", "plausibility, global test, check-shot offset " * 3,
           "a longer remark that wraps " * 3]
    text = printed(["run", "attachment", "day", "failed gates", "remark"], row)
    assert max(map(len, text.splitlines())) <= WIDTH
    assert {word for cell in row for word in cell.split()} <= set(text.split())


def test_a_table_too_wide_for_its_words_is_a_list():
    """Every value behind its heading, nothing cut."""
    row = [f"unbreakable-{k:02d}" for k in range(12)]
    text = printed([f"heading-{k:02d}" for k in range(12)], row)
    assert "- unbreakable-00; heading-01 unbreakable-01;" in text
    assert row[-1] in text
