"""Whole jobs in a real browser, by what a person sees and touches."""

import itertools
import shutil
from pathlib import Path

import numpy as np
import pytest

from calib.run.folder import read_run
from calib.run.write import write_whole
from tests.report.test_browser import LOOK
from tests.yard.conftest import served_page

WIDTHS = (390, 820, 1280)
HOSTILE = "<img src=x onerror=document.title='run'>"


@pytest.fixture
def opened(browser):
    """Opens pages; what a page complains of to the console fails the test."""
    pages, wrong = [], []

    def open_page(address, width=390):
        page = browser.new_page(viewport={"width": width, "height": 860})
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.on("console", lambda m: wrong.append(m.text) if "Content Security" in m.text else None)
        page.on("dialog", lambda dialog: dialog.accept())
        page.goto(address)
        pages.append(page)
        return page

    yield open_page
    for page in pages:
        page.close()
    assert wrong == []


def note_readings(page, values):
    for name, value in values.items():
        if name not in ("pose", "stand"):
            page.fill(f'#readings input[name="{name}"]', value)
    page.click("#readings button.main")
    page.wait_for_selector("#here-told:has-text('is noted')")


def note_shot(page, pose, shot, lift=0.0, both=False):
    page.select_option('#shot select[name="pose"]', pose)
    page.select_option('#shot select[name="target"]', shot["target"])
    for axis in ("east", "north", "up"):
        value = float(shot[axis]) + (lift if axis == "up" else 0.0)
        page.fill(f'#shot input[name="{axis}"]', f"{value:.4f}")
    if both:
        page.check("#instead label:has-text('Both count') input")
    before = page.text_content("#newest")
    page.click("#shot button")
    page.wait_for_function("before => document.querySelector('#newest').textContent !== before",
                           arg=before)


@pytest.mark.slow
def test_a_run_is_made_on_the_page_and_a_bad_shot_is_seen_at_once(planned, tmp_path, served,
                                                                 opened):
    blank, script = planned
    folder = tmp_path / "run"
    shutil.copytree(blank, folder)
    with served(folder) as (address, _):
        page = opened(address)
        page.wait_for_selector(f"text=Drive to pose {script[0][0]['pose']}")
        assert "under a raised attachment" in page.text_content(".cautions")
        for number, (pose, values, shots) in enumerate(script):
            page.wait_for_selector(f"#next-head:has-text('pose {pose['pose']}')")
            assert page.input_value('#readings input[name="pose"]') == pose["pose"]
            note_readings(page, values)
            for place, shot in enumerate(shots):
                bad = number == len(script) - 1 and place == 0
                note_shot(page, pose["pose"], shot, 0.09 if bad else 0.0)
                if bad:
                    assert "does not fit" in page.text_content("#newest")
                    assert "Shoot it again" in page.text_content("#newest")
                    assert "again, then" in page.text_content("#to-do")
                    # What the new one does to the old one is said beforehand, and chosen.
                    note_shot(page, pose["pose"], shot, both=True)
                    assert "● fits" in page.text_content("#newest")
        # Known well enough, but not before somebody decides about the shot that does not fit.
        assert "Enough" not in page.text_content("main")
        page.click("#here-pose button:has-text('Set it aside')")
        page.wait_for_selector("#weigh:has-text('everything else fits')")
        page.click("#decide")
        page.wait_for_selector("#here-pose .state:has-text('set aside')")
        page.wait_for_selector("text=Enough: the edge is known")
        page.click("#aside button:has-text('Take it back')")
        page.wait_for_selector("#weigh:has-text('would not fit')")
        page.click("#decide")
        page.click("#here-pose button:has-text('Take it out')")
        page.wait_for_selector("#aside:has-text('Taken out')")
    assert len(read_run(folder).shots) == sum(len(shots) for _, _, shots in script)


@pytest.mark.slow
def test_a_run_is_made_from_what_instruments_write(planned, tmp_path, served, opened):
    blank, script = planned
    folder, log, collected = tmp_path / "run", tmp_path / "log.csv", tmp_path / "job.csv"
    shutil.copytree(blank, folder)
    (folder / "import.toml").write_text('unit = "m"\nframe = "ground"\npole = "applied"\n')
    names = [n for n in script[0][1] if n not in ("pose", "stand")]
    log.write_text("time," + ",".join(names) + "\n")
    clock = itertools.count()

    def stands(readings, seconds=3):
        with log.open("a") as out:
            for tick in itertools.islice(clock, 10 * seconds):
                out.write(f"2031-05-04T09:{tick // 600:02d}:{tick % 600 / 10:06.3f}Z,"
                          + ",".join(str(readings[n]) for n in names) + "\n")

    with served(folder, "--log", str(log), "--collector", str(collected)) as (address, _):
        page = opened(address, 820)
        collected.write_text("point,east,north,up\n")
        for pose, values, shots in script[:2]:
            page.wait_for_selector(f"#next-head:has-text('pose {pose['pose']}')")
            stands({**pose["readings"], "boom": pose["readings"]["boom"] + 30})
            page.wait_for_selector("[data-live=boom]:has-text('less')")
            assert page.input_value("#readings [name=boom]") == ""
            stands(pose["readings"])
            page.wait_for_selector("[data-live=boom]:has-text('\u25cf')")
            assert float(page.input_value("#readings [name=boom]")) == pose["readings"]["boom"]
            # Where the machine came to stand, wherever that is.
            stands(values)
            shown = f"{float(values['boom']):.1f}".removesuffix(".0")
            page.wait_for_selector(f"[data-live=boom]:has-text('now {shown}')")
            page.click("#from-log")
            assert float(page.input_value("#readings [name=boom]")) == float(values["boom"])
            page.click("#readings button.main")
            page.wait_for_selector(f"#here-head:has-text('Pose {pose['pose']}')")
            by_target = {shot["target"]: shot for shot in shots}
            for number, target in enumerate(pose["shoot"]):
                shot = by_target[target]
                with collected.open("a") as out:
                    out.write(f"{pose['pose']}{number},{shot['east']},{shot['north']},"
                              f"{shot['up']}\n")
                page.wait_for_selector(f"#newest:has-text('({pose['pose']}{number})')")
    assert len(read_run(folder, unfinished=True).shots) == sum(
        len(pose["shoot"]) for pose, _, _ in script[:2])


def test_what_was_noted_is_corrected_on_the_page(grown, served, opened):
    run = read_run(grown)
    pose, first = run.poses.ids[-1], run.shots.ids[-1]
    boom = np.degrees(run.poses.readings[-1, run.rig.reading_names.index("boom")])
    typed = f"{boom + 0.01:.3f}"
    with served(grown) as (address, _):
        page = opened(address)
        page.click(f"[aria-label='Correct the readings of pose {pose}']")
        page.fill("#here-pose .editor [name=boom]", typed.replace(".", ","))
        page.click("#here-pose .editor button.main")
        page.wait_for_selector(f"#here-pose .readings:has-text('boom {typed}')")
        page.click(f"[aria-label='Correct or take out {first}']")
        page.fill("#here-pose .editor [name=up]", "no number")
        page.click("#here-pose .editor button.main")
        page.wait_for_selector(".editor .told.wrong:has-text('a number')")
        page.click(".editor button:has-text('Take it out')")
        page.click("#aside button:has-text('Bring it back')")
        page.wait_for_selector("#aside-box", state="hidden")
    after = read_run(grown)
    assert set(after.shots.ids) == set(run.shots.ids)
    assert np.degrees(after.poses.readings[-1, 2]) == pytest.approx(float(typed))


@pytest.fixture(scope="module")
def standing(made_files, tmp_path_factory):
    """The page of a run with a shot that does not fit and one of a hostile name; for looking."""
    folder = tmp_path_factory.mktemp("standing") / "run"
    shots = made_files["shots.csv"].rstrip().splitlines()
    last = shots[-1].split(",")
    more = f'"{HOSTILE}{"_long" * 12}",{",".join(last[1:5])},{float(last[5]) + 0.2:.4f}'
    write_whole(folder, {**made_files, "shots.csv": "\n".join([*shots, more, ""])})
    with served_page(folder) as (address, _):
        yield address


@pytest.mark.parametrize("path", ["", "desk"])
def test_the_same_on_three_widths(standing, opened, path):
    page = opened(standing + path)
    page.wait_for_selector("#aside li")
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 860})
        seen = page.evaluate(LOOK)
        assert (seen["cut"], seen["broken"], seen["faint"]) == ([], [], [])
        low = page.evaluate("""[...document.querySelectorAll('button, select, input')].filter(
            one => one.offsetParent && one.getBoundingClientRect().height < 25)
            .map(one => one.outerHTML)""")
        assert low == []


@pytest.mark.parametrize("path", ["", "desk"])
def test_everybody_can_use_it(standing, opened, path):
    axe = pytest.importorskip("axe_core_python.sync_playwright")
    page = opened(standing + path, 820)
    page.wait_for_selector("#aside li")
    # The library is put into the page by the debugger, past the page's own policy.
    found = axe.Axe().run(page)["violations"]
    assert [(v["id"], v["nodes"][0]["html"]) for v in found] == []


def test_a_hostile_name_is_text(standing, opened):
    page = opened(standing)
    page.wait_for_selector("#aside li")
    for place in ("#newest", "#here-pose", "#aside"):
        assert HOSTILE in page.text_content(place)
        assert page.query_selector(f"{place} img") is None
    page.click("#newest button:has-text('Set it aside')")
    page.wait_for_selector("#decide")
    assert HOSTILE in page.text_content("#weigh h2") and page.title() != "run"


def test_what_is_to_be_decided_is_reached_by_keys_alone(standing, opened):
    page = opened(standing, 820)
    page.wait_for_selector("#newest button")
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.textContent").startswith("Set it aside"):
            break
    assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
    page.keyboard.press("Enter")
    page.wait_for_selector("#decide")
    assert page.evaluate("document.activeElement.id") == "decide"
    page.keyboard.press("Escape")
    page.wait_for_selector("#weigh", state="hidden")


@pytest.mark.slow
def test_two_pages_see_each_other(grown, served, opened):
    with served(grown) as (address, _):
        one, other = opened(address), opened(address)
        one.wait_for_selector("#here-pose li")
        other.wait_for_selector("#here-pose li")
        pose = one.input_value("#shot select[name=pose]")
        note_shot(one, pose, {"target": "edge_left", "east": "1", "north": "2", "up": "3"})
        other.wait_for_selector(f"#here-pose:has-text('{pose}-edge_left-2')", timeout=3000)
        # Each sets something aside of a list that it has seen before the other did.
        for page, name in ((one, "a"), (other, "b")):
            page.evaluate("""async name => { const { send } = await import('/static/page.js');
                await send('/skip', { names: [name] }); }""", name)
        one.wait_for_selector("#aside:has-text('Pose a')")
        one.wait_for_selector("#aside:has-text('Pose b')")


@pytest.mark.slow
def test_a_messy_file_is_brought_in_solved_and_printed(made_files, folder, tmp_path, served,
                                                       opened):
    lines = [line for line in made_files["shots.csv"].splitlines() if not line.startswith("#")]
    messy = ["Punkt;Rechtswert;Hochwert;H\u00f6he;Code"]
    for number, line in enumerate(lines[1:], 1):
        _, pose, target, *where = line.split(",")
        messy.append(";".join([str(1000 + number), *(w.replace(".", ",") for w in where),
                               f"{pose} {target}"]))
    points, sheet = tmp_path / "Messung 3.csv", tmp_path / "sheet.csv"
    points.write_bytes("\r\n".join([*messy, ""]).encode("cp1252"))
    sheet.write_text(made_files["readings.csv"])
    with served(folder) as (address, _):
        page = opened(address + "desk", 820)
        page.set_input_files("#pick", [str(points), str(sheet)])
        page.wait_for_selector("#proposal legend:has-text('Open')")
        while page.query_selector("#proposal legend:has-text('Open')"):
            before = page.text_content("#proposal")
            page.click("#proposal fieldset:has(legend:has-text('Open')) input")
            page.wait_for_function(
                "before => document.querySelector('#proposal').textContent !== before", arg=before)
        page.check("#replace")
        page.click("#write")
        page.wait_for_selector("#import-told:has-text('Written')")
        page.click("#solve")
        page.wait_for_selector("#solve-told:has-text('Solved.')", timeout=120_000)
        assert page.text_content("#says").count("95\u00a0%") >= 1
        assert page.query_selector("#plots img") is not None
        for name in ("report.html", "report.pdf", "sheet.html", "sheet.pdf"):
            page.wait_for_selector(f"#files li:has-text('{name}')")
        with page.expect_download() as blank:
            page.click("a[href='/blank/shown.csv']")
        assert "pose,target" in Path(blank.value.path()).read_text()
        page.goto(address + "result/report.html")
        assert len(page.pdf()) > 20_000
    assert len(read_run(folder).shots) == len(lines) - 1
