"""The plug pulled: what the page called noted is in the files, and nothing is half there."""

import os
import re
import shutil
import signal
import subprocess
import sys
import threading
import time
from itertools import count

import httpx
import pytest

from calib.run.folder import read_run


class Page:
    """What a page does, without a browser."""

    def __init__(self, address):
        self.http = httpx.Client(base_url=address, timeout=20.0)
        token = re.search('calib-token" content="([^"]+)"', self.http.get("/").text)[1]
        self.http.headers.update({"origin": address.rstrip("/"), "x-calib-token": token})

    def change(self, path, **body):
        answer = self.http.post(path, json=body)
        answer.raise_for_status()
        return answer.json()["answer"]


def test_an_interrupt_with_a_page_that_waits_is_one_line(grown):
    """A page always waits for news: it is answered, and the server ends at once and cleanly; also
    where no browser can be started."""
    process = subprocess.Popen(
        [sys.executable, "-m", "calib", "yard", str(grown)], text=True,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, env={**os.environ, "BROWSER": '%s "open'},
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL))
    page = Page(process.stdout.readline().strip())
    seen, answers = page.http.get("/now").json()["version"], []
    waiting = threading.Thread(
        target=lambda: answers.append(page.http.get("/now", params={"seen": seen})))
    waiting.start()
    time.sleep(0.2)
    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=60)
    waiting.join()
    assert process.returncode == 130
    assert "\nInterrupted. Nothing is half-written.\nNext: calib solve " in err  # all is shot
    assert "Traceback" not in err and answers[0].status_code == 200


@pytest.mark.slow
def test_killed_again_and_again_nothing_is_lost(planned, tmp_path, served):
    blank, script = planned
    folder = tmp_path / "run"
    shutil.copytree(blank, folder)
    pose, values, _ = script[0]
    noted, tried, number = [], 0, count()

    def note(page):
        where = next(number)
        return page.change("/shots", pose=pose["pose"], target="edge_left", up="2.5",
                           east=f"{1 + 0.01 * where:.4f}", north="2.5")["shot"]

    for kill in range(15):
        with served(folder) as (address, process):
            page = Page(address)
            if kill == 0:
                readings = {n: v for n, v in values.items() if n not in ("pose", "stand")}
                page.change("/readings", pose=pose["pose"], stand="1", readings=readings)
            begun = time.monotonic()
            noted.append(note(page))
            usual = time.monotonic() - begun

            def pull(process=process, after=0.33 * kill * usual):
                time.sleep(after)
                process.send_signal(signal.SIGKILL)

            threading.Thread(target=pull).start()
            # One after the other is on its way when the plug is pulled.
            try:
                for _ in range(100):
                    tried += 1
                    noted.append(note(page))
            except httpx.HTTPError:
                pass
            process.wait()
        run = read_run(folder, unfinished=True)
        assert set(noted) <= set(run.shots.ids) and len(run.shots) <= 15 + tried
        left = [p.name for p in folder.iterdir() if p.name.startswith(".calib-")]
        assert set(left) <= {".calib-lock", ".calib-staged"}, left
    assert len(noted) > 20
