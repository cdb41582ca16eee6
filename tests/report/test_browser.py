"""The pages opened in a browser: no error, no request, nothing cut off, sorting works."""

import json
import re
import shutil
import subprocess
import threading
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

from calib.report.pages.contents import contents
from calib.report.pages.report import headings
from calib.report.pages.sheet import sheet_files
from calib.report.press.html import page
from tests.report.conftest import record

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium")

#: Tablet and A4 at 96 dots per inch, px.
SIZES = {"tablet": (820, 1180), "A4": (794, 1123)}

#: Put before everything else of the page: what goes wrong while it loads.
LISTEN = """<script>
window.probe = {errors: [], blocked: []};
addEventListener("error", e => probe.errors.push(String(e.message)));
addEventListener("securitypolicyviolation", e => probe.blocked.push(e.blockedURI));
</script>"""

#: Put behind everything else: what the page is like.
LOOK = """<script>
const cut = [], room = document.documentElement.clientWidth;
const own = node => [...node.childNodes].some(n => n.nodeType === 3 && n.textContent.trim());
for (const node of document.querySelectorAll("body *:not(script):not(style):not(svg *)")) {
  if (!own(node) && node.tagName !== "svg") continue;
  const box = node.getBoundingClientRect();
  if (!box.width) continue;
  const words = node.tagName + " " + node.textContent.slice(0, 40);
  if (box.right > room + 1 || box.left < -1) cut.push("outside the page: " + words);
  const style = getComputedStyle(node);
  if (style.overflowX !== "visible" && node.scrollWidth > node.clientWidth + 1)
    cut.push("needs scrolling: " + words);
  const parent = node.parentElement.getBoundingClientRect();
  if (node.tagName === "DATA" && box.right > parent.right + 1)
    cut.push("out of its cell: " + words);
}
for (const table of document.querySelectorAll(".table"))
  if (table.scrollWidth > table.clientWidth + 1)
    cut.push("table needs scrolling: " + table.textContent.trim().slice(0, 60));
for (const svg of document.querySelectorAll("figure svg")) {
  const frame = svg.getBoundingClientRect();
  for (const text of svg.querySelectorAll("text")) {
    const box = text.getBoundingClientRect();
    if (box.left < frame.left - 1 || box.right > frame.right + 1 || box.top < frame.top - 1 ||
        box.bottom > frame.bottom + 1)
      cut.push(svg.closest("figure").id + ": " + text.textContent);
  }
}
const table = [...document.querySelectorAll("table")].sort(
  (a, b) => b.tBodies[0].rows.length - a.tBodies[0].rows.length)[0];
const buttons = [...table.querySelectorAll("th button")];
const button = buttons.find(b => /value|w$/.test(b.textContent.trim())) || buttons[1];
const column = button.parentElement.cellIndex;
const values = () => [...table.tBodies[0].rows].map(r => r.cells[column].querySelector("data"))
  .filter(d => d).map(d => Number(d.value));
button.click(); probe.ascending = values();
probe.marked = button.parentElement.getAttribute("aria-sort");
button.click(); probe.descending = values();
probe.cut = cut;
probe.silent = [...document.querySelectorAll("svg, img")].filter(
  i => !(i.getAttribute("aria-label") || i.alt)).length;
probe.fetched = performance.getEntriesByType("resource").map(r => r.name);
probe.small = [...document.querySelectorAll("p, td, li")].filter(
  n => parseFloat(getComputedStyle(n).fontSize) < 11).length;
const out = document.createElement("pre");
out.id = "probe"; out.textContent = JSON.stringify(probe);
document.body.append(out);
</script>"""


def opened(html: str, folder, width: int, height: int) -> dict:
    """What a browser finds of a page at a window size."""
    # The probes are scripts of the test's own; the page's policy allows inline ones.
    html = html.replace("<title>", LISTEN + "<title>", 1).replace("</body>", LOOK + "</body>", 1)
    with served(html) as (address, asked):
        run = browsed(address, folder, width, height)
    found = re.search(r'<pre id="probe">(.*?)</pre>', run.stdout, re.DOTALL)
    assert found, "the page's scripts did not run to their end"
    text = found.group(1).replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&")
    return {**json.loads(text), "asked": [path for path in asked if path != "/favicon.ico"]}


@contextmanager
def served(html):
    """A server of one page that notes what is asked of it."""
    asked = []

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self):
            asked.append(self.path)
            self.send_response(200 if self.path == "/page" else 404)
            self.send_header("Content-Type", "text/html; charset=utf-8")
            self.end_headers()
            self.wfile.write(html.encode() if self.path == "/page" else b"")

        def log_message(self, *args):
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/page", asked
    finally:
        server.shutdown()
        server.server_close()


def browsed(address, folder, width, height):
    """The page after its scripts have run."""
    return subprocess.run(
        [CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run",
         "--disable-background-networking", "--disable-component-update", "--disable-sync",
         "--hide-scrollbars", f"--user-data-dir={folder / 'profile'}",
         f"--window-size={width},{height}", "--virtual-time-budget=4000", "--dump-dom",
         address],
        capture_output=True, text=True, timeout=180, check=True,
    )


@pytest.fixture(scope="module")
def pages(document):
    """The pages that a browser opens."""
    told = record(document)
    report = page("report.html.j2", told, *headings(told), contents(told))
    return {"report": report, "sheet": sheet_files(told)["sheet.html"].decode()}


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("name", ["report", "sheet"])
def test_a_page_in_a_browser(pages, tmp_path, name, size):
    """At tablet and A4 width: no error, no request, nothing cut off, tables sort."""
    probe = opened(pages[name], tmp_path, *SIZES[size])
    assert probe["errors"] == []
    assert probe["blocked"] == []
    assert probe["fetched"] == []
    assert probe["asked"] == ["/page"]
    assert probe["cut"] == []
    assert probe["silent"] == 0
    assert probe["small"] == 0
    assert len(probe["ascending"]) > 5
    assert probe["ascending"] == sorted(probe["ascending"])
    assert probe["descending"] == probe["ascending"][::-1] or (
        probe["descending"] == sorted(probe["descending"], reverse=True))
    assert probe["marked"] == "ascending"


def test_the_probe_sees_what_is_wrong(tmp_path):
    """A page with a script error, a request and text that is cut off does not pass."""
    bad = ("<!DOCTYPE html><html><head><title>x</title></head><body>"
           '<div class="table" style="overflow-x:auto"><table><thead><tr>'
           "<th><button>value</button></th></tr></thead><tbody>"
           f"<tr><td style='white-space:nowrap'>{'wide ' * 300}</td></tr></tbody></table></div>"
           '<img src="missing.png"><figure><svg width="50" height="20">'
           "<text x='0' y='10'>longer than its frame</text></svg></figure>"
           "<script>nothing()</script></body></html>")
    probe = opened(bad, tmp_path, *SIZES["tablet"])
    assert probe["errors"]
    assert "/missing.png" in probe["asked"]
    assert probe["silent"] == 2
    assert any("outside the page" in c for c in probe["cut"])
    assert any("longer" in c for c in probe["cut"])
