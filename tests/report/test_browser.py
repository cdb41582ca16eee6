"""The pages opened in a browser: nothing cut off, parted, overprinted, faint; by hand, by key."""

from itertools import chain
from pathlib import Path

import pytest

from calib.document.fleet import FleetRecord
from calib.document.together import Alone, OneRun, Over, Quantity, SharingTest, TogetherRecord
from calib.plan import Task, make_plan, prepare
from calib.report.figures.style import drawings
from calib.report.pages.comparison import Side, comparison, comparison_sections
from calib.report.pages.fleet import fleet_sections
from calib.report.pages.history import additions, history_sections
from calib.report.pages.sheet import sheet_files
from calib.report.pages.together import together_sections
from calib.report.plan_record import plan_document
from calib.report.pose_sheet import sheet_files as pose_sheet
from calib.report.press.html import page
from calib.results import Result
from calib.solved_machine import rig_and_parameters
from tests.report.conftest import record, with_example

#: Of a telephone, a tablet and a desk, px.
WIDTHS = (390, 820, 1280)

#: Of A4 between its margins, px.
PAPER = 700

#: Type in a figure is at least as high, px.
LEGIBLE = 8.5

#: Says what a page is like at the width that it has.
LOOK = (Path(__file__).parent / "look.js").read_text("utf-8")

#: Sorts the longest table by a column of numbers, twice.
SORT = """() => {
const table = [...document.querySelectorAll("table")].sort(
  (a, b) => b.tBodies[0].rows.length - a.tBodies[0].rows.length)[0];
const button = [...table.querySelectorAll("th button")].find(
  b => /value|w$/.test(b.textContent.trim()));
const values = () => [...table.tBodies[0].rows].map(
  r => r.cells[button.parentElement.cellIndex].querySelector("data")
).filter(Boolean).map(d => Number(d.value));
button.click();
const ascending = values(), marked = button.parentElement.getAttribute("aria-sort");
button.click();
return { ascending, marked, descending: values() };
}"""


def faults(page):
    """What is wrong with a page as it is shown."""
    seen = page.evaluate(LOOK)
    return {key: found for key, found in seen.items() if key != "least" and found} | (
        {"least": seen["least"]} if seen["least"] < LEGIBLE else {})


@pytest.fixture
def made(request, document):
    """A page by its name."""
    one = record(document)
    if request.param == "report":
        return request.getfixturevalue("html")
    if request.param == "sheet":
        return sheet_files(one)["sheet.html"].decode()
    if request.param == "fields":
        return sheet_files(with_example(one))["sheet.html"].decode()
    if request.param == "several runs":
        return several_runs(one)
    if request.param == "poses":
        plan = make_plan(prepare(Task.for_rig(rig_and_parameters(one)[0], count=800)), poses=7)
        return pose_sheet(plan_document(plan, "a tape"))["pose-sheet.html"].decode()
    other = record(request.getfixturevalue("document_aside"))
    told = comparison(*(Side(name, survey=Result(of, Path(name), "").survey)
                        for name, of in (("one", one), ("other", other))))
    return page("report.html.j2", told, "Comparison", "", comparison_sections(told))


@pytest.mark.parametrize("made", ["report", "sheet", "fields", "comparison", "several runs",
                                  "poses"], indirect=True)
def test_pages_at_every_width_and_on_paper(shown, made):
    """Nothing is cut off, needs pushing sideways, touches or lies over another; no word is parted,
    no number from its unit; text stands out by 4.5 to 1 (WCAG 2.2, 1.4.3), by day and by night."""
    page = shown(made)
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 860})
        assert faults(page) == {}, width
    page.emulate_media(color_scheme="dark")
    assert faults(page) == {}
    page.emulate_media(media="print", color_scheme="light")
    page.set_viewport_size({"width": PAPER, "height": 1000})
    assert faults(page) == {}


@pytest.mark.parametrize("made", ["report", "sheet"], indirect=True)
def test_tables_sort(shown, made):
    found = shown(made, 1280).evaluate(SORT)
    assert len(found["ascending"]) > 5 and found["marked"] == "ascending"
    assert found["ascending"] == sorted(found["ascending"])
    assert found["descending"] == sorted(found["descending"], reverse=True)


def several_runs(one):
    """Pages of several runs, in one: a history, a fleet, runs adjusted together."""
    results = additions([], [(f"2031-0{k}/result.json", str(k) * 64, one) for k in range(1, 8)])
    shown = [history_sections(results)]
    rows = [p for p in one.parameters if p.sd]
    bars = {"edges": [-0.004, -0.001, 0.002, 0.005], "counts": [3, 12, 7], "below": 0, "above": 1}
    fleet = FleetRecord.model_validate({
        "schema": 1, "calib": "0", "runs": 23, "states": {"gates failed": 1, "passed": 22},
        "variance_factors": bars, "seconds": 0.7, "bytes_per_run": 3e5, "most_megabytes": 108,
        "parameters": [{"name": p.name, "unit": p.unit, "runs": 23, "taped": 23, "beyond": 1,
                        "median_difference": -0.0123, "spread": p.sd, "differences": bars}
                       for p in rows],
        "worst": [{"run": f"north/machine-{k}", "status": "gates failed", "variance_factor": 17.2,
                   "edge95": 0.0213, "report": None,
                   "says": "plausibility, global test, suspects, check-shot offset, check shots"}
                  for k in range(3)]})
    names = ["march", "april", "may"]
    together = TogetherRecord.model_construct(
        says="Invented.", passed=False, runs=[OneRun.model_construct(
            name=name, attachment="grading_bucket", day="2031-03-04", job=one.job, shots=60,
            poses=14, variance_factor=22.16, set_aside=["07-edge_left"], note="", result=name,
            failed=["plausibility", "global test", "check-shot offset"]) for name in names],
        sharing=SharingTest.model_construct(differences=[], same_precision=True, statistic=None,
                                            justified=False),
        quantities=[Quantity.model_construct(
            name=f"{p.name} of attachment grading_bucket", unit=p.unit, value=p.value, sd=p.sd,
            runs=names, alone=[Alone(run="may", value=p.value, sd=2 * p.sd)]) for p in rows],
        over_time=[Over(name=f"{p.name} of attachment grading_bucket", unit=p.unit, value=p.value,
                        sd=p.sd, runs=names, values=[p.value + p.sd] * 3, sds=[p.sd] * 3)
                   for p in rows])
    shown += [fleet_sections(fleet), together_sections(together)]
    pictures = {}
    for document, sections in zip((results, fleet, together), shown, strict=True):
        pictures |= drawings(document, sections)
    return page("report.html.j2", None, "Several runs", "", list(chain(*shown)), pictures=pictures)


#: Touches a point, filters, and writes down what the page does.
TOUCH = """() => {
const probe = {};
const told = document.querySelector("p.told");
const shown = () => told.hidden ? "" : told.textContent;
const lit = () => [...document.querySelectorAll("figure:has(a.lit)")].map(f => f.id);
const svg = document.querySelector("#figure-by-order svg");
const link = svg.querySelector('a[*|href="#shot-12"]'), box = link.getBoundingClientRect();
const tap = () => svg.dispatchEvent(new MouseEvent("click", { bubbles: true, cancelable: true,
  clientX: box.left + box.width / 2 + 3, clientY: box.top + box.height / 2 }));
probe.before = [shown(), lit().length];
tap();
probe.touched = [shown(), lit(), document.querySelectorAll("tr.lit").length];
tap();
probe.again = [shown(), lit().length];
const stand = document.querySelector("form.filter select[name=stand]");
stand.value = "S2"; stand.dispatchEvent(new Event("change"));
const out = new Set([...document.querySelectorAll("#figure-by-order a.out")].map(
  a => a.getAttribute("xlink:href")));
const data = JSON.parse(document.getElementById("points").textContent);
probe.filtered = [...out].map(href => data[href.slice(1)].stand);
probe.kept = Object.entries(data).filter(
  ([ref, d]) => d.shot !== undefined && !out.has("#" + ref)).map(([, d]) => d.stand);
probe.count = document.querySelector("form.filter output").textContent;
const pick = document.querySelector("form.filter select[name=shot]");
pick.value = "shot-3"; pick.dispatchEvent(new Event("change"));
probe.picked = shown();
dispatchEvent(new KeyboardEvent("keydown", { key: "Escape" }));
probe.escaped = shown();
return probe;
}"""


@pytest.mark.parametrize("width", [390, 1280])
def test_points_answer_to_the_hand(shown, html, document, width):
    """A touch tells the shot and lights it up in every plot and in the table; filters sift."""
    probe = shown(html, width).evaluate(TOUCH)
    shot = document["shots"][12]
    says, figures, rows = probe["touched"]
    assert probe["before"] == ["", 0] and probe["again"] == ["", 0]
    assert f"Shot {shot['shot']}: pose {shot['pose']}" in says
    assert f"east {1000 * shot['miss']['east']:+.1f}" in says and "w " in says
    assert {f"figure-{name}" for name in (
        "by-order", "plan-side", "by-component", "normal", "redundancy", "by-joint"
    )} <= set(figures)
    assert rows == 1
    stands = {p["pose"]: p["stand"] for p in document["poses"]}
    here = sum(stands[s["pose"]] == "S2" for s in document["shots"])
    assert set(probe["filtered"]) == {"S1"} and set(probe["kept"]) == {"S2"}
    assert probe["count"] == f"{here} of {len(document['shots'])} shots"
    assert document["shots"][3]["shot"] in probe["picked"] and probe["escaped"] == ""


def test_without_scripts_the_page_is_whole(shown, html, document):
    """Every shot's row is there, tables unfold by themselves, points are links to their rows."""
    page = shown(html, java_script_enabled=False)
    assert page.locator("form").count() == 0 and page.locator("details").count() >= 8
    row = page.locator("#shot-3")
    assert not row.is_visible()
    page.locator("summary", has_text="Shots, the worst first").click()
    assert row.is_visible()
    for k in range(len(document["shots"])):
        assert f'id="shot-{k}"' in html and f'href="#shot-{k}"' in html


def test_keys_reach_what_the_hand_does(shown, html, document):
    """A shot is chosen and a table unfolded by keys alone, and what has the focus shows it."""
    page = shown(html, 820)
    page.locator("form.filter select[name=shot]").focus()
    page.keyboard.press("ArrowDown")
    assert f"Shot {document['shots'][0]['shot']}" in page.text_content("p.told")
    page.keyboard.press("Escape")
    assert page.locator("p.told").is_hidden()
    for _ in range(30):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.tagName") == "SUMMARY":
            break
    assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") != "none"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.parentElement.open")


def test_the_look_sees_what_is_wrong(browser):
    """A page with what must not be does not pass."""
    page = browser.new_page(viewport={"width": 390, "height": 860})
    page.set_content(
        "<style>td { overflow-wrap: anywhere }</style>"
        "<p style='color: #8a949c'>faint</p><p style='width: 2.6em'>It 12 mm</p>"
        "<table><tr><td style='width: 3em; max-width: 3em'>correction</td></tr></table>"
        '<div class="table" style="overflow-x:auto"><table><tr>'
        f"<td style='white-space:nowrap'>{'wide ' * 300}</td></tr></table></div>"
        '<figure id="f"><svg width="50" height="20"><text x="0" y="10">longer than its frame</text>'
        '<text x="2" y="11">over it</text></svg></figure>')
    seen = page.evaluate(LOOK)
    assert seen["silent"] == 1 and len(seen["over"]) == 1 and len(seen["faint"]) == 1
    assert set(seen["broken"]) == {"correction", "12 mm"}
    for words in ("outside the page", "needs scrolling", "longer than"):
        assert any(words in cut for cut in seen["cut"])
