"""Effects taken into a rig file: only its list of them changes."""

import tomllib

import pytest

from calib.run.adopted import with_effects_listed

TEXTS = {
    "plain": 'template = "tilt_rotator"\n\n[shots]\nsd = 1\n',
    "comments first": '# mine\n\ntemplate = "tilt_rotator"   # theirs\nfree = ["a"]\n[goal]\n',
    "no end of line": 'template = "tilt_rotator"',
    "line ends of another kind": 'name = "x"\r\ntemplate = "tilt_rotator"\r\n[goal]\r\n',
    "own chain": 'name = "own"\nmotions = [\n  { translate = "x" },\n]\n[[targets]]\n',
    "empty list": 'effects = []\ntemplate = "tilt_rotator"\n',
    "one": 'template = "tilt_rotator"\neffects = ["sags"]   # as [they] say\n[goal]\n',
    "many lines": 'effects = [\n  "sags",   # found ]\n  "boom_twist",\n]\n[values]\nx = [1]\n',
    "a word that looks like it": 'title = """\ntemplate = 1\neffects = []\n"""\n[goal]\n',
}


@pytest.mark.parametrize("text", TEXTS.values(), ids=TEXTS)
@pytest.mark.parametrize("names", [["boom_sag"], ["boom_sag", "sags", "rotate_harmonic"]])
def test_only_the_list_changes(text, names):
    """Every other line stays as it is, and no name is listed twice."""
    before, written = tomllib.loads(text), with_effects_listed(text, names)
    listed = before.get("effects", [])
    assert tomllib.loads(written) == {
        **before, "effects": [*listed, *(n for n in names if n not in listed)]}
    if "effects" not in before:
        assert [line for line in written.splitlines() if line and not line.startswith(
            "effects = [\"boom")] == [line for line in text.splitlines() if line]
    for comment in ("# mine", "# theirs", "# as [they] say", "# found ]"):
        assert (comment in written) == (comment in text)
    assert ("\r\n" in written) == ("\r\n" in text)


def test_nothing_to_add_changes_nothing():
    text = TEXTS["one"]
    assert tomllib.loads(with_effects_listed(text, ["sags"])) == tomllib.loads(text)
