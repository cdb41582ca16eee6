"""The pose sheet: what the crew takes to the machine."""

import re
import shutil
import subprocess
import tomllib

import numpy as np
import pytest

from calib.chain.rig import rig_from_dict
from calib.cli.simulate import STANDARD_RIG
from calib.document.planned import Drawing, PlannedRig
from calib.document.solved import Job
from calib.plan.curve import curve, edge_alone
from calib.plan.plan import make_plan
from calib.plan.task import Task, prepare
from calib.report.figures.poses import from_behind, from_the_side
from calib.report.plan_record import plan_document
from calib.report.pose_sheet import POSES_PER_PAGE, sheet_files, sheet_of
from calib.report.words.cautions import CAUTIONS
from tests.report.reading import Page, paper


@pytest.fixture(scope="module")
def document():
    """Eight poses over two stands, chosen from few candidates, with a goal that is missed."""
    rig = rig_from_dict(tomllib.loads(STANDARD_RIG))
    prepared = prepare(Task.for_rig(rig, count=1500))
    plan = make_plan(prepared, 8, stands=2)
    return plan_document(plan, "usual taping", curve(prepared, 2),
                         curve(edge_alone(prepared), 2), goal=0.001)


@pytest.fixture(scope="module")
def files(document):
    """Both forms of the sheet."""
    return sheet_files(document)


def test_cautions_are_on_every_page_of_the_pdf(document, files):
    """Each page, the first as well, holds every caution from its first word to its last."""
    pages = paper(files["pose-sheet.pdf"])
    assert len(pages) == 1 + -(-len(document.poses) // POSES_PER_PAGE)
    for text in pages:
        for caution in CAUTIONS:
            assert caution in text


def test_machine_date_and_fingerprint_are_on_every_page(document):
    """A sheet found in a cab tells whose it is, and which plan.json it belongs to."""
    stated = document.model_copy(update={"job": Job(machine="Digger", serial="7", date="1 May")})
    digits = document.fingerprint
    told = f"Digger (serial number 7), 1 May, plan {digits[:4]} {digits[4:8]} {digits[8:]}"
    made = sheet_files(stated)
    assert len(digits) == 12 and told in made["pose-sheet.html"].decode("utf-8")
    assert all(told in text for text in paper(made["pose-sheet.pdf"]))


def test_page_shows_cautions_targets_and_places_to_write(document, files):
    """Every caution, pose and target reading is there, with a box per reading, a tick per shot."""
    page = files["pose-sheet.html"].decode("utf-8")
    for caution in CAUTIONS:
        assert page.count(caution.replace("'", "&#39;")) == 1 + len(sheet_of(document).pages)
    poses, readings = len(document.poses), len(document.readings)
    assert page.count('class="write"') == poses * readings
    shots = sum(len(pose.shoot) for pose in document.poses)
    assert 2 * poses < shots < len(document.targets) * poses
    assert page.count('class="tick"') == poses + shots
    assert page.count(">read only<") == 2 * poses
    assert page.count("new: S1") == page.count("new: S2") == 1
    assert "The goal of 1.0 mm is NOT reached." in Page(page).words
    assert not re.search(r'(src|href)="(?!#)', page)


def test_printed_ranges_are_never_looser_than_computed(document):
    """What the sheet calls fine is fine, and the target it prints lies in it."""
    rows = [row for page in sheet_of(document).pages for row in page]
    for row, pose in zip(rows, document.poses, strict=True):
        for (name, planned), cell in zip(pose.readings.items(), row["cells"], strict=True):
            tolerance, still_fine = pose.tolerance[name], cell["still_fine"]
            if tolerance is None:
                assert (cell["target"], still_fine) == ("", "read only")
                continue
            shown = float(cell["target"])
            low, high = planned - tolerance[0], planned + tolerance[1]
            assert low - 0.051 <= shown <= high + 0.051
            if " to " in still_fine:
                first, last = map(float, still_fine.split(" over ")[0].split(" to "))
                if first > last:  # over the point where a display jumps from 180 to -180
                    first, last = (first, last + 360) if shown > 0 else (first - 360, last)
                assert low - 0.051 <= first <= shown <= last <= high + 0.051


def test_a_range_over_the_jump_of_the_display(document):
    """A range that passes half a turn is told in readings that the display can show."""
    pose = document.poses[0]
    turned = pose.model_copy(update={"readings": {**pose.readings, "rotate": 175.0},
                                     "tolerance": {**pose.tolerance, "rotate": [10.0, 12.0]}})
    cells = sheet_of(document.model_copy(update={"poses": [turned]})).pages[0][0]["cells"]
    shown = dict(zip(turned.readings, cells, strict=True))["rotate"]
    assert shown == {"target": "175", "still_fine": "165 to -173 over 180"}


def test_drawings_by_hand(document):
    """From the side forward is right; from behind the machine's left is left, from the pin."""
    by_hand = Drawing(machine=[[0.0, 0.0, 0.0], [4.0, 0.0, 3.0], [6.0, 0.0, 1.0], [6.5, 0.1, 0.5]],
                      attachment=2, edge=[[7.0, 0.8, -0.5], [7.0, -0.7, -0.6]], shots={})
    side, behind = from_the_side([by_hand])[0], from_behind([by_hand])[0]
    np.testing.assert_allclose(side.arm, [[0, 0], [4, 3], [6, 1], [6.5, 0.5]])
    np.testing.assert_allclose(side.edge, [[7, -0.5], [7, -0.6]])
    np.testing.assert_allclose(behind.arm, [[0, 0], [-0.1, -0.5]], atol=1e-12)
    np.testing.assert_allclose(behind.edge, [[-0.8, -1.5], [0.7, -1.6]])
    sheet = sheet_of(document)
    for sketch in from_the_side([pose.drawing for pose in document.poses]):
        assert (sketch.edge[:, 1] > sheet.ground).all()
        for points in (sketch.arm, sketch.edge):
            assert (points >= [sheet.side.left, sheet.side.bottom]).all()
            assert (points <= [sheet.side.left + sheet.side.width,
                               sheet.side.bottom + sheet.side.height]).all()


def test_the_same_plan_gives_the_same_files(document, files, monkeypatch):
    """Nothing in the files depends on the hour; with SOURCE_DATE_EPOCH the PDF bears that date."""
    assert sheet_files(document) == files
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1900000000")
    dated = sheet_files(document)
    assert dated == sheet_files(document)
    assert b"D:2030031717" in dated["pose-sheet.pdf"]
    assert dated["pose-sheet.html"] == files["pose-sheet.html"]


def test_names_are_text_whatever_they_hold(document):
    """Markup, dollars and other scripts in a name reach neither page nor PDF as commands."""
    title = "Rig <script>alert(1)</script> $x_1$ \u0141\u00f3d\u017a"
    named = document.model_copy(update={"rig": PlannedRig(name="own", title=title), "curve": None,
                                        "poses": document.poses[:1]})
    made = sheet_files(named)
    page = made["pose-sheet.html"].decode("utf-8")
    assert "<script>alert" not in page and "Rig &lt;script&gt;" in page
    assert made["pose-sheet.pdf"].startswith(b"%PDF")


@pytest.mark.skipif(not (shutil.which("chromium") and shutil.which("pdftotext")),
                    reason="needs chromium and pdftotext")
def test_cautions_are_on_every_page_that_a_browser_prints(document, files, tmp_path):
    """Printed by a browser the page has the cautions on every sheet of paper, none too many."""
    (tmp_path / "sheet.html").write_bytes(files["pose-sheet.html"])
    subprocess.run(
        ["chromium", "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer",
         f"--user-data-dir={tmp_path / 'profile'}", f"--print-to-pdf={tmp_path / 'sheet.pdf'}",
         (tmp_path / "sheet.html").as_uri()], check=True, capture_output=True, timeout=60)
    text = subprocess.run(["pdftotext", tmp_path / "sheet.pdf", "-"], check=True,
                          capture_output=True, timeout=60).stdout.decode("utf-8")
    pages = text.split("\f")[:-1]
    assert len(pages) == 1 + -(-len(document.poses) // POSES_PER_PAGE)
    for page in pages:
        words = " ".join(page.split())
        for caution in CAUTIONS:
            assert caution in words
