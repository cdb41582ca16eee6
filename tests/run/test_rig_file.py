"""rig.toml at fault: key, line, found, expected."""

import pytest

from calib.chain.rig import template_names
from calib.run.complaints import InputError
from calib.run.folder import rig_from_text
from calib.run.toml import KeyLines

SOUND = """\
template = "tilt_rotator"
free = ["tilt_axis_yaw"]
hold = [
  "edge_skew",
  "edge_side",
]

[shots]
sd = { horizontal = 0.002, vertical = 0.003 }

[readings.sd]
boom = 0.05

[values]
boom_length = 5.6

[limits]
boom = [-20, 55]
"""


def complaints(text):
    with pytest.raises(InputError) as caught:
        rig_from_text(text)
    return str(caught.value).split("\n")


def test_a_sound_rig_file():
    """Every option of the smallest useful form at work."""
    rig = rig_from_text(SOUND)
    by_name = {p.name: p for p in rig.parameters}
    assert not by_name["tilt_axis_yaw"].held
    assert by_name["edge_skew"].held
    assert by_name["boom_length"].start == 5.6
    assert rig.shot_sd.tolist() == [0.002, 0.002, 0.003]


@pytest.mark.parametrize(
    ("old", "new", "complaint"),
    [
        ("boom = 0.05", "bom = 0.05", "rig.toml line 12, key readings.sd.bom: found 'bom', "
         "expected a reading: one of house_pitch, house_roll, boom, stick, coupler, tilt, rotate"),
        ("boom = 0.05", "boom = 0", "rig.toml line 12, key readings.sd.boom: found 0, expected a "
         "number above 0"),
        ("boom = 0.05", 'boom = "0.05"', "rig.toml line 12, key readings.sd.boom: found '0.05', "
         "expected a number"),
        ("boom = 0.05", "boom = nan", "rig.toml line 12, key readings.sd.boom: found nan, expected "
         "a finite number"),
        ("boom = 0.05", "boom = 1e-200", "rig.toml line 12, key readings.sd.boom: found 1e-200, "
         "expected a standard deviation in deg, from 0.0001 to 20"),
        ("vertical = 0.003", "up = 0.003", "rig.toml line 9, key shots.sd: found {'horizontal': "
         "0.002, 'up': 0.003}, expected either east, north and up, or horizontal and vertical"),
        ("vertical = 0.003", "vertical = -1", "rig.toml line 9, key shots.sd.vertical: found -1, "
         "expected a number above 0"),
        ("boom_length = 5.6", "boom_length = 5600", "rig.toml line 15, key values.boom_length: "
         "found 5600, expected a length of a machine, within 1000 m"),
        ("boom_length = 5.6", "boom_length = 560", "rig.toml line 15, key values.boom_length: "
         "found 560, expected a value from 1 to 15 m: a machine beyond that states its own range "
         "under [ranges] in rig.toml, such as boom_length = [least, most]"),
        ("boom_length = 5.6", "edge_width = -1.5", "rig.toml line 15, key values.edge_width: "
         "found -1.5, expected a value from 0.15 to 6 m: a machine beyond that states its own "
         "range under [ranges] in rig.toml, such as edge_width = [least, most]"),
        ("boom = [-20, 55]", "boom = [-20, 55]\n[ranges]\nboom_length = [6, 9]", "rig.toml line "
         "15, key values.boom_length: found 5.6, expected a value from 6 to 9 m: a machine beyond "
         "that states its own range under [ranges] in rig.toml, such as boom_length = [least, "
         "most]"),
        ("boom = [-20, 55]", "boom = [-20, 55]\n[ranges]\nstick_length = [5, 9]", "rig.toml line "
         "20, key ranges.stick_length: found 2.9, expected a value from 5 to 9 m: a machine "
         "beyond that states its own range under [ranges] in rig.toml, such as stick_length = "
         "[least, most]"),
        ("boom = [-20, 55]", "boom = [-20, 55]\n[ranges]\nboom_length = [9, 5]", "rig.toml line "
         "20, key ranges.boom_length: found [9.0, 5.0], expected the lower limit first"),
        ("[-20, 55]", "[55, -20]", "rig.toml line 18, key limits.boom: found [55.0, -20.0], "
         "expected the lower limit first"),
        ('template = "tilt_rotator"', 'template = "excavator"', "rig.toml line 1, key template: "
         "found 'excavator', expected one of " + ", ".join(template_names())),
        ("[limits]", "[limit]", "rig.toml line 17, key limit: found {'boom': [-20, 55]}, "
         "expected a key this file knows"),
    ],
)
def test_a_fault_names_its_line(old, new, complaint):
    """Wrong names, wrong kinds and wrong sizes."""
    assert complaints(SOUND.replace(old, new)) == [complaint]


def test_a_name_in_a_list_is_found_in_its_line():
    """Unknown parameters, in a list over several lines."""
    said = complaints(SOUND.replace("edge_side", "edge_sid"))
    assert said[0].startswith("rig.toml line 5, key hold.edge_sid: found 'edge_sid', expected a "
                              "parameter: one of boom_length, stick_length, ")


@pytest.mark.parametrize(
    ("old", "new", "start"),
    [
        ("hold = [", "hold = ", "rig.toml line 3, column 8: found what is not TOML (inv"),
        ("boom = 0.05", "boom 0.05", "rig.toml line 12, column 6: found what is not TOML ("),
        ("boom = 0.05", "boom = 0,05", "rig.toml line 12, column 9: found what is not TOML ("),
        ("[values]", "[readings.sd]", "rig.toml line 14, column 13: found what is not TOML (can"),
        ("free = ", "hold = ", "rig.toml line 6, column 2: found what is not TOML (can"),
    ],
)
def test_a_syntax_error_names_line_and_column(old, new, start):
    """TOML that cannot be parsed."""
    said = complaints(SOUND.replace(old, new))
    assert len(said) == 1
    assert said[0].startswith(start)
    assert said[0].endswith('expected lines such as "key = 0.05" under headings such as '
                            '"[readings.sd]"')


@pytest.mark.parametrize("text", ["a = " + "[" * 100_000, "a = " + "9" * 5000, "a = 2031-02-30"])
def test_toml_that_troubles_its_parser(text):
    """Nesting without end, a number of thousands of digits, a day that does not exist."""
    assert len(complaints(text)) == 1


def test_lines_of_keys():
    """Headers, dotted keys, arrays of tables, and what is not written down at all."""
    lines = ["a.b = 1", "[[motions]]", "rotate = 'x'", "[[motions]]", "by = { q = 1 }", '["x y"]']
    assert KeyLines(lines).line_of("a.b") == 1
    assert KeyLines(lines).line_of("motions.1.by.q") == 5
    assert KeyLines(lines).line_of("motions.0.rotate") == 3
    assert KeyLines(lines).line_of("x y") == 6
    assert KeyLines(lines).line_of("nowhere") is None


def test_all_faults_are_told_at_once():
    """Of shape, of names that do not fit, and of size; and nothing that only follows from them."""
    faulty = SOUND
    for old, new in [("boom = 0.05", 'boom = "0.05"'), ("[-20, 55]", "[60, -30]"), ("5.6", "1e9"),
                     ("tilt_axis_yaw", "stick_lenght"), ("vertical = 0.003", "vertical = 9.0")]:
        faulty = faulty.replace(old, new)
    faulty += """
[sensors.bom]
direction = -1
[colour]
[parameters.sag]
unit = "deg"
start = "0"
means = "sag of the boom"
[[motions]]
rotate = "y"
after = "boom"
varying = [{ by = { sag = 1 }, times = "cosine of inclination", of = "boom" }]
"""
    assert {line.split(", key ")[1].split(",")[0].split(":")[0] for line in complaints(faulty)
            if ", key " in line} == {
        "readings.sd.boom", "limits.boom", "free.stick_lenght", "values.boom_length",
        "shots.sd.up", "sensors.bom", "colour", "parameters.sag.start"}


def test_a_sensor_that_the_template_lacks_is_told_those_it_has():
    [line] = complaints(SOUND + "[sensors.bom]\ndirection = -1\n")
    assert line == (
        "rig.toml line 19, key sensors.bom: found no kind and no means, expected what a new one "
        "needs, or one that the template has: house_pitch, house_roll, boom, stick, coupler, "
        "tilt, rotate")
