"""Whole jobs in a real browser, by what a person sees and touches."""

import shutil

import pytest

from calib.run.folder import read_run

playwright = pytest.importorskip("playwright.sync_api")
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium")

WIDTHS = (390, 820, 1280)


@pytest.fixture(scope="module")
def browser():
    with playwright.sync_playwright() as play:
        one = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield one
        one.close()


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
    page.click("#readings button")
    page.wait_for_selector("#readings-told:has-text('Noted')")


def note_shot(page, pose, shot, lift=0.0):
    page.select_option('#shot select[name="pose"]', pose)
    page.select_option('#shot select[name="target"]', shot["target"])
    for axis in ("east", "north", "up"):
        value = float(shot[axis]) + (lift if axis == "up" else 0.0)
        page.fill(f'#shot input[name="{axis}"]', f"{value:.4f}")
    before = page.text_content("#newest")
    page.click("#shot button")
    page.wait_for_function("before => document.querySelector('#newest').textContent !== before",
                           arg=before)


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
            page.wait_for_selector(f"#pose-head:has-text('Pose {pose['pose']}')")
            assert page.input_value('#readings input[name="pose"]') == pose["pose"]
            note_readings(page, values)
            for place, shot in enumerate(shots):
                bad = number == len(script) - 1 and place == 0
                note_shot(page, pose["pose"], shot, 0.09 if bad else 0.0)
                if bad:
                    assert "does not fit" in page.text_content("#newest")
                    assert "Shoot it again" in page.text_content("#newest")
                    note_shot(page, pose["pose"], shot)
                    assert "● fits" in page.text_content("#newest")
        page.wait_for_selector("text=Enough: the edge is known")
        page.click("#shots button:has-text('Set it aside')")
        page.wait_for_selector("#aside-box:has-text('everything else fits')")
        page.click("#decide")
        page.wait_for_selector("#shots .state:has-text('set aside')")


@pytest.mark.parametrize("path", ["", "desk"])
def test_the_same_on_three_widths_and_everybody_can_use_it(standing, opened, path):
    axe = pytest.importorskip("axe_core_python.sync_playwright")
    for width in WIDTHS:
        page = opened(standing + path, width)
        page.wait_for_timeout(300)
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        if width == 820:
            # The library is put into the page by the debugger, past the page's own policy.
            found = axe.Axe().run(page)["violations"]
            assert [(v["id"], v["nodes"][0]["html"]) for v in found] == []


def test_a_hostile_name_is_text(grown, served, opened):
    hostile = "<img src=x onerror=document.title='run'>"
    shots = grown / "shots.csv"
    with shots.open("a") as out:
        out.write(f'"{hostile}",{shots.read_text().splitlines()[-1].split(",")[1]},edge_left,1,2,3\n')
    with served(grown) as (address, _):
        page = opened(address)
        page.wait_for_selector("#shots li")
        assert hostile in page.text_content("#shots")
        assert page.query_selector("#shots img") is None and page.title() != "run"


def test_two_pages_see_each_other(grown, served, opened):
    with served(grown) as (address, _):
        one, other = opened(address), opened(address)
        one.wait_for_selector("#shots li")
        other.wait_for_selector("#shots li")
        pose = one.evaluate("document.querySelector('#shot select').value")
        note_shot(one, pose, {"target": "edge_left", "east": "1", "north": "2", "up": "3"})
        other.wait_for_selector(f"#shots:has-text('{pose}-edge_left-2')", timeout=3000)



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
        page.wait_for_selector("#solve-told:has-text('Solved;')", timeout=120_000)
        page.wait_for_selector("#files a:has-text('report.html')")
        page.goto(address + "result/report.html")
        assert len(page.pdf()) > 20_000
    assert len(read_run(folder).shots) == len(lines) - 1
