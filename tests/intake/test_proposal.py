"""What is proposed for files, and above all what is not taken for certain."""

import numpy as np
import pytest

from calib.intake.declaration import declare
from calib.intake.files.columns import header_name
from calib.intake.files.field_units import plain
from calib.intake.files.headings import HEADINGS
from calib.intake.proposal.looks import HEAD, look_at
from calib.intake.proposal.naming import namings
from calib.intake.proposal.propose import answered, propose
from calib.run.complaints import InputError
from tests.intake.layouts import layouts, shots_of

TARGETS = ("boom_foot_left", "boom_foot_right", "stick_pin", "edge_left", "edge_mid", "edge_right")


@pytest.fixture
def written(tmp_path):
    """Writes files, gives their paths."""

    def write(files):
        for name, text in files.items():
            (tmp_path / name).write_text(text)
        return [tmp_path / name for name in files]

    return write


def doubts(proposal):
    """What is doubtful, in words."""
    return [choice.about for choice in proposal.doubtful]


def coordinates(run, head, row):
    """A point file: `row` makes a line of an id, the side and a position."""
    return head + "".join(row(f"{pose}-{side}", side, at) + "\n"
                          for pose, side, at, _ in shots_of(run))


def test_headings_mean_one_thing():
    """No word stands for two columns; each is written as headers are looked up."""
    words = [word for names in HEADINGS.values() for word in names.split("|")]
    assert len(words) == len(set(words))
    for name, names in HEADINGS.items():
        for word in names.split("|"):
            assert plain(word) == word and header_name(word)[0] == name


@pytest.mark.parametrize(("name", "pattern", "pose", "target"), [
    ("{p}-left|{p}-right", "{pose}-{target}", "3", "edge_left"),
    ("P{p} L|P{p} R", "P{pose} {target}", "3", "edge_left"),
    ("links {p}|rechts {p}", "{target} {pose}", "3", "edge_left"),
    ("S2 P{p} li|S2 P{p} re", "S{stand} P{pose} {target}", "3", "edge_left"),
    ("{p}v|{p}h", "{pose}{target}", "3", "edge_left"),
    ("{p}_edge_left|{p}_edge_right", None, None, None),
    ("edge_left.{p}|edge_right.{p}", "{target}.{pose}", "3", "edge_left"),
])
def test_patterns(name, pattern, pose, target):
    """What a crew writes is taken apart; what can be two things is left alone."""
    ids = [text.replace("{p}", str(p)) for p in range(3, 9) for text in name.split("|")]
    position = np.array([[p, 1.5 * k, 0.0] for p in range(6) for k in (0, 1)], float)
    ways = namings(ids, [""] * len(ids), TARGETS, position)
    if pattern is None:
        assert not ways or ways[0].booked[0].target == "edge_left"
        return
    assert ways[0].pattern == pattern
    assert (ways[0].booked[0].pose, ways[0].booked[0].target) == (pose, target)
    assert ways[0].booked[1].target == "edge_right"
    assert ways[0].width == pytest.approx(1.5)


@pytest.mark.parametrize("ids", [
    [f"{i}" for i in range(12)], ["left", "right"] * 6, [f"{i}-left" for i in range(12)],
    [f"{i} {i} left" for i in range(6)] + [f"{i} {i} right" for i in range(6)],
    [f"A{i}" for i in range(12)], [f"{w}{i}" for i, w in enumerate("ABCDEFGHIJKL")],
    [f"A{i}" for i in range(6)] + [f"B{i}" for i in range(6, 12)],
])
def test_no_pattern_is_made_up(ids):
    """Numbers alone, sides alone, one side alone, two numbers: nothing is proposed."""
    assert not namings(ids, [""] * 12, TARGETS, np.zeros((12, 3)))


def test_wrong_pairs_are_doubtful(run, written):
    """Left and right that do not belong together lie at other distances from pose to pose."""
    shots = shots_of(run)
    lines = [f"{(i // 2 * 5 + (side == 'right') * i) % 12:02d}-{side},{e},{n},{u}"
             for i, (_, side, (e, n, u), _) in enumerate(shots)]
    paths = written({"a.csv": "\n".join(["point,east (m),north (m),up (m)", *lines]) + "\n"})
    assert "how points name pose and target" in doubts(propose(paths, run.rig))


def test_x_and_y_are_asked(run, written):
    """x is east here and north there; the two answers differ, and nothing is settled."""
    text = coordinates(run, "Point,X,Y,Z\n",
                       lambda name, _, at: f"{name},{at[0]:.4f},{at[1]:.4f},{at[2]:.4f}")
    proposal = propose(written({"a.csv": text}), run.rig, taped_width=1.5)
    (choice,) = proposal.doubtful
    assert "whether x is east" in choice.about
    other = propose(list(proposal.roles), run.rig,
                    answered(declare({}), choice, choice.alternatives[1]), taped_width=1.5)
    assert not other.doubtful and other.declared.order.startswith("point,north,east")


def test_a_list_without_a_header_is_asked(run, written):
    """East first or north first: both are offered, each with what the first row would be."""
    text = coordinates(run, "", lambda name, _, at: f"{name},{at[0]:.4f},{at[1]:.4f},{at[2]:.4f}")
    proposal = propose(written({"a.csv": text}), run.rig, taped_width=1.5)
    (choice,) = proposal.doubtful
    assert [a.declares["order"] for a in choice.alternatives] == ["PNEZ", "PENZ"]


def test_day_and_month_are_asked(run, written):
    """04/05 may be two days; 25/05 is one."""
    files = layouts(run)[3].files
    slashes = {name: text.replace("04.05.2031", "04/05/2031") for name, text in files.items()}
    found = doubts(propose(written(slashes), run.rig))
    assert found == ["how times are written"]
    late = {name: text.replace("04.05.2031", "25/05/2031") for name, text in files.items()}
    assert not propose(written(late), run.rig).doubtful


def test_a_clock_of_another_zone_is_asked(run, written):
    """Shots two hours beside the log are no shots within it."""
    files = layouts(run)[3].files
    late = files["punkte.csv"].replace(";06:", ";08:")
    found = doubts(propose(written({**files, "punkte.csv": late}), run.rig))
    assert found == ["the time zone of the shots and log.csv"]


def test_a_pole_column_of_coordinates_is_asked(run, written):
    """Exports have the pole off as a rule, raw lists do not."""
    text = coordinates(run, "point,east (m),north (m),up (m),pole height\n",
                       lambda name, side, at: f"{name},{at[0]:.4f},{at[1]:.4f},{at[2]:.4f},"
                       f"{1.5 if side == 'left' else 1.8}")
    assert "whether the pole or prism height is off the heights" in doubts(
        propose(written({"a.csv": text}), run.rig))


@pytest.mark.parametrize(("taped", "certain"), [(None, False), (1.5, True), (4.9, False)])
def test_the_unit_is_told_by_a_tape_alone(run, written, taped, certain):
    """The width of the template is nobody's measurement; a tape that fits no unit tells nothing."""
    text = coordinates(run, "point,east,north,up\n",
                       lambda name, _, at: f"{name},{at[0]:.4f},{at[1]:.4f},{at[2]:.4f}")
    proposal = propose(written({"a.csv": text}), run.rig, taped_width=taped)
    assert ("the unit of lengths" not in doubts(proposal)) == certain


def test_feet_of_a_map_grid_are_asked(run, written):
    """Over a kilometre the two feet differ by 2 mm."""
    text = coordinates(run, "point,east (ft),north (ft),up (ft)\n",
                       lambda name, _, at: f"{name},{at[0] / 0.3048:.4f},{at[1] / 0.3048:.4f},"
                       f"{at[2] / 0.3048:.4f}") + "99-left,5000,0,0\n99-right,5004.9,0,0\n"
    assert "the unit of lengths" in doubts(propose(written({"a.csv": text}), run.rig))


def test_points_that_do_not_fit_are_asked(run, written):
    """A shot whose name was mistyped, or a bench mark: the files do not tell."""
    text = coordinates(run, "point,east (m),north (m),up (m)\n",
                       lambda name, _, at: f"{name},{at[0]:.4f},{at[1]:.4f},{at[2]:.4f}")
    (word,) = propose(written({"a.csv": text + "5-lefft,1,2,3\n"}), run.rig).doubtful
    assert word.about == 'what "lefft" is' and '"5-lefft"' in word.why
    assert [a.says for a in word.alternatives[:2]] == ["edge_left", "no target: leave out"]
    (word,) = propose(written({"a.csv": text + "7-nail,1,2,3\n"}), run.rig).doubtful
    assert word.about == 'what "nail" is' and word.alternatives[0].says == "no target: leave out"
    assert len(word.alternatives) == len(run.rig.target_names) + 1
    (others,) = propose(written({"a.csv": text + "BM 12,1,2,3\n"}), run.rig).doubtful
    assert '"BM 12"' in others.why


@pytest.mark.parametrize(("corners", "pattern", "sure"), [
    (("LE{p:02d}", "RE{p:02d}"), "{target}{pose}", True),
    (("{p}-EL", "{p}-ER"), "{pose}-{target}", True),
    (("KL {p}", "KR {p}"), "{target} {pose}", True),
    (("A{p:02d}", "B{p:02d}"), "{target}{pose}", False),
])
def test_words_of_no_language(run, written, corners, pattern, sure):
    """First letters of both corners tell them; letters that tell nothing are asked, one by one."""
    lines = ["point,east (m),north (m),up (m)"]
    for pose, side, (e, n, u), _ in shots_of(run):
        name = corners[side == "right"].format(p=int(pose))
        lines.append(f"{name},{e:.4f},{n:.4f},{u:.4f}")
    paths = written({"a.csv": "\n".join([*lines, "MP1,1,2,3", "MP2,4,2,3"]) + "\n"})
    declared = declare({"targets": {"MP": "-"}, "others": "leave-out"})
    asked = [c for c in propose(paths, run.rig, declared).doubtful]
    assert bool(asked) != sure
    for choice, target in zip(asked, ("edge_left", "edge_right"), strict=False):
        assert choice.alternatives[0].says == "no target: leave out"
        declared = answered(declared, choice, next(
            a for a in choice.alternatives if a.says == target))
    settled = propose(paths, run.rig, declared)
    none = {word: "-" for word in settled.declared.targets}
    if not sure:  # nothing is a target: asked again, and what else would tell
        left = propose(paths, run.rig, declare({"targets": none})).doubtful
        assert "booking sheet" in left[0].why
    assert not settled.doubtful and settled.declared.ids == pattern
    assert {"edge_left", "edge_right"} <= set(settled.declared.targets.values())


def test_vertical_angles_of_the_horizon_are_no_zenith_angles(run, written):
    """V near zero makes no sense as a zenith angle in any unit: asked."""
    files = dict(layouts(run)[4].files)
    rows = [line.split(",") for line in files["raw.csv"].splitlines()]
    flat = [",".join([*row[:3], f"{abs(100 - float(row[3])):.5f}", *row[4:]])
            for row in rows[1:] if float(row[3]) < 200]
    files["raw.csv"] = "\n".join([",".join(rows[0]), *flat]) + "\n"
    found = doubts(propose(written(files), run.rig))
    assert "the unit of angles in raw.csv" in found


def test_what_a_file_is_can_be_asked(run, written):
    """A file of words nobody knows is asked about, and the answer is taken."""
    files = {"a.csv": layouts(run)[0].files["job.csv"], "b.csv": "alpha,beta\n1,2\n3,4\n"}
    paths = written(files)
    proposal = propose(paths, run.rig)
    (choice,) = proposal.doubtful
    assert choice.file == paths[1] and len(choice.alternatives) == 7


def changed(text, rng):
    """A file with a few characters lost, doubled, exchanged, or a line lost."""
    for _ in range(int(rng.integers(1, 6))):
        at, kind = int(rng.integers(len(text))), int(rng.integers(5))
        odd = str(rng.choice(list(",;\t\n \"-.x9\u00e9\u2212'{}%")))
        text = (text[:at] + text[at + int(rng.integers(1, 9)):], text[:at] + odd + text[at:],
                text[:at] + odd + text[at + 1:], text[:at] + text[at:at + 40] + text[at:],
                text[:at].rpartition("\n")[0] + text[at:])[kind] or "x"
    return text


@pytest.mark.parametrize("number", range(6))
def test_damaged_files_are_no_fault_of_the_program(run, written, number):
    """Whatever is changed in a file, there is a proposal or a complaint."""
    rng, layout = np.random.default_rng(number), layouts(run)[number]
    files = {name: text[:6000] for name, text in layout.files.items()}
    for _ in range(40):
        name = str(rng.choice(list(files)))
        paths = written({**files, name: changed(files[name], rng)})
        try:
            proposal = propose(paths, run.rig)
        except InputError as error:
            assert error.complaints
            continue
        assert proposal.declared is not None



@pytest.mark.parametrize("encoding", ["utf-8", "utf-16-le", "utf-16-be"])
def test_only_the_beginning_is_looked_at(tmp_path, encoding):
    """A letter cut in two there made another encoding, and other headings, of the whole file."""
    for shift in range(2):
        text = "\ufeffpoint,Höhe,east,north\n" + "x" * shift + "1,2,3,4,öß\n" * HEAD
        path = tmp_path / "job.csv"
        path.write_bytes(text.encode(encoding)[:HEAD + 100])
        look = look_at(path, ())
        assert look.meant[1] == "up" and len(look.rows[-1]) == 5
