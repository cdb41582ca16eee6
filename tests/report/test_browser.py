"""The pages opened in a browser: no error, no request, nothing cut off, sorting works."""

import json
import re
import shutil
import subprocess
import threading
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from itertools import chain
from pathlib import Path

import pytest

from calib.document.fleet import FleetRecord
from calib.document.together import Alone, OneRun, Over, Quantity, SharingTest, TogetherRecord
from calib.plan import Task, make_plan, prepare
from calib.report.figures.drawings import drawings
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

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium")

#: px.
SIZES = {"telephone": (390, 844), "tablet": (820, 1180), "desk": (1280, 900)}

#: On a telephone tables of more columns may be pushed sideways.
FEW = 6

#: Type in a figure is at least as high on a telephone, px.
LEGIBLE = 8.5

#: Put before everything else of the page: what goes wrong while it loads.
LISTEN = """<script>
window.probe = {errors: [], blocked: [], over: [], cut: [], broken: []};
addEventListener("error", e => probe.errors.push(String(e.message)));
addEventListener("securitypolicyviolation", e => probe.blocked.push(e.blockedURI));
</script>"""

#: Put behind everything else: what the page is like.
LOOK = """<script>
for (const folded of document.querySelectorAll("details")) folded.open = true;
const cut = probe.cut, room = document.documentElement.clientWidth;
const few = innerWidth < 500 ? FEW_COLUMNS : 99;
const hidden = node => node.closest(".table")?.querySelectorAll("th").length > few;
const own = node => [...node.childNodes].some(n => n.nodeType === 3 && n.textContent.trim());
for (const node of document.querySelectorAll("body *:not(script):not(style):not(svg *)")) {
  if (!own(node) && node.tagName !== "svg") continue;
  const box = node.getBoundingClientRect();
  if (!box.width) continue;
  const words = node.tagName + " " + node.textContent.slice(0, 40);
  if ((box.right > room + 1 || box.left < -1) && !hidden(node))
    cut.push("outside the page: " + words);
  const style = getComputedStyle(node);
  if (!hidden(node) && style.overflowX !== "visible" && node.scrollWidth > node.clientWidth + 1)
    cut.push("needs scrolling: " + words);
  const parent = node.parentElement.getBoundingClientRect();
  if (node.tagName === "DATA" && box.right > parent.right + 1)
    cut.push("out of its cell: " + words);
}
for (const table of document.querySelectorAll(".table"))
  if (table.scrollWidth > table.clientWidth + 1 && table.querySelectorAll("th").length <= few)
    cut.push("table needs scrolling: " + table.textContent.trim().slice(0, 60));
const written = node => {
  const range = document.createRange(); range.selectNodeContents(node);
  return range;
};
for (const row of document.querySelectorAll("tr")) {
  const boxes = [...row.cells].map(c => written(c).getBoundingClientRect()).filter(b => b.width);
  boxes.slice(1).forEach((b, i) => {
    const a = boxes[i], level = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 3;
    if (level && b.left - a.right < 1.5)
      probe.cut.push("touching: " + row.textContent.slice(0, 60));
  });
}
for (const button of document.querySelectorAll("th button")) {
  const text = button.firstChild;
  for (const word of text?.textContent.matchAll(/[^\\s-]+/g) ?? []) {
    const range = document.createRange();
    range.setStart(text, word.index); range.setEnd(text, word.index + word[0].length);
    if (range.getClientRects().length > 1) probe.broken.push(word[0]);
  }
}
for (const svg of document.querySelectorAll("figure svg")) {
  const frame = svg.getBoundingClientRect(), boxes = [];
  for (const text of svg.querySelectorAll("text")) {
    const box = text.getBoundingClientRect(), turn = text.getScreenCTM();
    const size = parseFloat(getComputedStyle(text).fontSize) * Math.hypot(turn.a, turn.b);
    probe.least = Math.min(probe.least ?? 99, size);
    if (!turn.b || !turn.a) boxes.push([box, text.textContent]);
    if (box.left < frame.left - 1 || box.right > frame.right + 1 || box.top < frame.top - 1 ||
        box.bottom > frame.bottom + 1)
      cut.push(svg.closest("figure").id + ": " + text.textContent);
  }
  boxes.forEach(([a, one], i) => boxes.slice(i + 1).forEach(([b, other]) => {
    if (Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1.5 &&
        Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 3)
      probe.over.push(svg.closest("figure").id + ": " + one + " | " + other);
  }));
}
const table = [...document.querySelectorAll("table")].sort(
  (a, b) => b.tBodies[0].rows.length - a.tBodies[0].rows.length)[0];
const buttons = [...table.querySelectorAll("th button")];
const button = buttons.find(b => /value|w$/.test(b.textContent.trim())) || buttons[1];
if (button) {
const column = button.parentElement.cellIndex;
const values = () => [...table.tBodies[0].rows].map(r => r.cells[column].querySelector("data"))
  .filter(d => d).map(d => Number(d.value));
button.click(); probe.ascending = values();
probe.marked = button.parentElement.getAttribute("aria-sort");
button.click(); probe.descending = values();
}
probe.silent = [...document.querySelectorAll("svg, img")].filter(
  i => !(i.getAttribute("aria-label") || i.alt)).length;
probe.fetched = performance.getEntriesByType("resource").map(r => r.name);
probe.small = [...document.querySelectorAll("p, td, li")].filter(
  n => parseFloat(getComputedStyle(n).fontSize) < 11).length;
const out = parent.document.createElement("pre");
out.id = "probe"; out.textContent = JSON.stringify(probe);
parent.document.body.append(out);
</script>"""


def opened(html: str, folder, width: int, height: int, look: str | None = None,
           few: int = FEW) -> dict:
    """What a browser finds of a page at a window size."""
    # The probes are scripts of the test's own; the page's policy allows inline ones.
    look = (LOOK if look is None else look).replace("FEW_COLUMNS", str(few))
    html = html.replace("<title>", LISTEN + "<title>", 1).replace("</body>", look + "</body>", 1)
    with served(html, width, height) as (address, asked):
        run = browsed(address, folder)
    found = re.search(r'<pre id="probe">(.*?)</pre>', run.stdout, re.DOTALL)
    assert found, "the page's scripts did not run to their end"
    text = found.group(1).replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&")
    return {**json.loads(text), "asked": [path for path in asked
                                          if path not in ("/favicon.ico", "/frame")]}


@contextmanager
def served(html, width, height):
    """A server of one page in a frame of a telephone's width, or another, which no window has.

    It notes what is asked of it.
    """
    asked: list[str] = []
    frame = f'<!DOCTYPE html><iframe src="/page" width="{width}" height="{height}"></iframe>'
    shown = {"/page": html, "/frame": frame}

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self):
            asked.append(self.path)
            self.send_response(200 if self.path in shown else 404)
            self.send_header("Content-Type", "text/html; charset=utf-8")
            self.end_headers()
            self.wfile.write(shown.get(self.path, "").encode())

        def log_message(self, *args):
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/frame", asked
    finally:
        server.shutdown()
        server.server_close()


def browsed(address, folder):
    """The page after its scripts have run."""
    return subprocess.run(
        [CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run",
         "--disable-background-networking", "--disable-component-update", "--disable-sync",
         "--hide-scrollbars", f"--user-data-dir={folder / 'profile'}",
         "--window-size=1400,1200", "--virtual-time-budget=4000", "--dump-dom",
         address],
        capture_output=True, text=True, timeout=180, check=True,
    )


@pytest.fixture(scope="module")
def pages(document, html):
    """The pages that a browser opens."""
    return {"report": html, "sheet": sheet_files(record(document))["sheet.html"].decode()}


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("name", ["report", "sheet"])
def test_a_page_in_a_browser(pages, tmp_path, name, size):
    """At every width: no error, no request, nothing cut off or overprinted, tables sort."""
    probe = opened(pages[name], tmp_path, *SIZES[size])
    assert probe["errors"] == []
    assert probe["blocked"] == []
    assert probe["fetched"] == []
    assert probe["asked"] == ["/page"]
    assert probe["cut"] == []
    assert probe["over"] == []
    assert probe["least"] >= LEGIBLE
    assert probe["silent"] == 0
    assert probe["small"] == 0
    assert len(probe["ascending"]) > 5
    assert probe["ascending"] == sorted(probe["ascending"])
    assert probe["descending"] == probe["ascending"][::-1] or (
        probe["descending"] == sorted(probe["descending"], reverse=True))
    assert probe["marked"] == "ascending"


@pytest.mark.parametrize("which", ["fields", "comparison", "poses", "several runs"])
def test_other_pages_on_a_telephone(document, document_aside, tmp_path, which):
    """What to type, two results, and the poses of a plan: whole, and of a legible size."""
    one, other = record(document), record(document_aside)
    if which == "fields":
        html = sheet_files(with_example(one))["sheet.html"].decode()
    elif which == "comparison":
        told = comparison(*(Side(name, survey=Result(of, Path(name), "").survey)
                            for name, of in (("one", one), ("other", other))))
        html = page("report.html.j2", told, "Comparison", "", comparison_sections(told))
    elif which == "several runs":
        html = several_runs(one)
    else:
        made = make_plan(prepare(Task.for_rig(rig_and_parameters(one)[0], count=800)), poses=7)
        html = pose_sheet(plan_document(made, "a tape"))["pose-sheet.html"].decode()
        html = html.replace("default-src 'none'", "default-src 'none'; script-src 'unsafe-inline'")
    probe = opened(html, tmp_path, *SIZES["telephone"], few=9)
    assert probe["broken"] == [] or which == "fields"
    assert probe.get("least", LEGIBLE) >= LEGIBLE
    assert probe["errors"] == [] and probe["cut"] == [] and probe["over"] == []
    assert probe["small"] == 0


def several_runs(one):
    """Pages of several runs, in one: a history, a fleet, runs adjusted together."""
    results = additions([], [(f"2031-0{k}/result.json", str(k) * 64, one) for k in range(1, 8)])
    shown = [history_sections(results, 6)]
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
TOUCH = """<script>
(async () => {
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
const pre = parent.document.createElement("pre");
pre.id = "probe"; pre.textContent = JSON.stringify(probe);
parent.document.body.append(pre);
})();
</script>"""


@pytest.mark.parametrize("size", ["telephone", "desk"])
def test_points_answer_to_the_hand(pages, document, tmp_path, size):
    """A touch tells the shot and lights it up in every plot and in the table; filters sift."""
    probe = opened(pages["report"], tmp_path, *SIZES[size], look=TOUCH)
    assert probe["errors"] == [] and probe["blocked"] == []
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


def test_without_scripts_the_page_is_whole(pages, document):
    """Every shot's row is there, tables unfold by themselves, points are links to their rows."""
    html = re.sub(r"<script.*?</script>", "", pages["report"], flags=re.DOTALL)
    assert html.count("<details>") >= 8 and "<form" not in html.partition("<body")[2]
    for k in range(len(document["shots"])):
        assert f'id="shot-{k}"' in html and f'href="#shot-{k}"' in html


def test_the_probe_sees_what_is_wrong(tmp_path):
    """A page with a script error, a request and text that is cut off does not pass."""
    bad = ("<!DOCTYPE html><html><head><title>x</title></head><body>"
           '<div class="table" style="overflow-x:auto"><table><thead><tr>'
           "<th><button>value</button></th></tr></thead><tbody>"
           f"<tr><td style='white-space:nowrap'>{'wide ' * 300}</td></tr></tbody></table></div>"
           '<img src="missing.png"><figure><svg width="50" height="20">'
           "<text x='0' y='10'>longer than its frame</text><text x='2' y='11'>over it</text></svg>"
           "</figure>"
           "<script>nothing()</script></body></html>")
    probe = opened(bad, tmp_path, *SIZES["tablet"])
    assert probe["errors"]
    assert "/missing.png" in probe["asked"]
    assert probe["silent"] == 2
    assert len(probe["over"]) == 1
    assert any("outside the page" in c for c in probe["cut"])
    assert any("longer" in c for c in probe["cut"])
