"""How fast is it, against other solvers, against bare LAPACK, and as runs grow?

    python -m benchmarks.speed           everything: reports/speed.md and its plot, some minutes
    python -m benchmarks.speed --short   what needs no further library, to the screen
    python -m benchmarks.speed --before CHECKOUT    the command's profile also of an older version

Processor seconds, medians, one thread; what people wait for by the clock. Install the other solvers
with ``pip install .[bench]``.
"""

import platform
import sys
from importlib.metadata import PackageNotFoundError, version
from os import cpu_count, getloadavg
from pathlib import Path

from threadpoolctl import threadpool_info, threadpool_limits

from benchmarks.speed import command, measure
from benchmarks.speed.scaling import SIZES, exponent, scaling

REPORTS = Path(__file__).parents[2] / "reports"


def main():
    short = "--short" in sys.argv[1:]
    older = Path(sys.argv[2]).resolve() if sys.argv[1:2] == ["--before"] else None
    with threadpool_limits(1):
        if short:
            print("\n".join(_short()))
            return
        lines, times = _everything(older)
    (REPORTS / "speed.md").write_text("\n".join(lines) + "\n", "utf-8")
    from benchmarks.speed.plot import plot

    plot(times, REPORTS / "speed.png")
    print("\n".join(lines))


def _short():
    """Ratios against scipy, the floor, and growth."""
    found = measure.ratios(only=("(a) scipy, numeric", "(b) scipy, analytic, sparse"))
    times, _ = scaling((30, 300, 3000), ("solve", "judge"))
    floor = measure.floor()
    return [*_ratio_table(found), "", f"Bare LAPACK of the same shapes: {1000 * floor:.2f} ms; "
            f"the solve takes {found['calib'][0] / floor:.0f} times as long.", *_growth(times)]


def _ratio_table(found):
    own = found["calib"][0]
    lines = ["| solver | ms | times calib's | off by, sd |", "|---|---|---|---|"]
    for name, (taken, off) in found.items():
        lines.append(f"| {name} | not installed | | |" if taken is None else
                     f"| {name} | {1000 * taken:.1f} | {taken / own:.1f} | {off:.1g} |")
    return lines


def _growth(times):
    return ["", "| | " + " | ".join(f"{n:,}" for n in SIZES if n in times["solve"][0])
            + " | exponent | from 300 |", "|---" * (3 + len(times["solve"][0])) + "|",
            *(_row(name, *of, times["solve"][0]) for name, of in times.items())]


def _row(name, sizes, taken, columns):
    known = dict(zip(sizes, taken, strict=True))
    cells = [f"{known[n]:.3g}" if n in known else "" for n in columns]
    return (f"| {name}, s | " + " | ".join(cells) + f" | {exponent(sizes, taken):.2f} | "
            f"{exponent(sizes, taken, 300):.2f} |")


def _everything(older):
    told, commands = _command(older)  # while nothing else has loaded the machine
    found, bigger = measure.ratios(), measure.ratios(300, only=(
        "(b) scipy, analytic, sparse",))
    floors = {poses: measure.floor(poses) for poses in (30, 1000, 3000)}
    solves = {poses: _solve_time(poses) for poses in floors}
    mine, theirs, off = measure.kinematics()
    taken, peak, before = measure.large()
    few, every = _solve_time(8), measure.threads()
    snooped, wrong = measure.snooping(), measure.wrong_readings()
    times, length = scaling()
    solve = dict(zip(*times["solve"], strict=True))
    lines = ["# Speed", "", *_where(), "", "## 30 poses, two corners each, taped: one answer", "",
             "calib: solution with covariance and reliability. The others: the full adjustment "
             "with every reading", "an unknown, without covariance. All from the same start; "
             "(b) to (f) get calib's vectorised derivatives", "except (e).", "",
             *_ratio_table(found), "", "At 300 poses:", "", *_ratio_table(bigger), "",
             "## Bare LAPACK", "",
             "QR, Cholesky factors and inverses of all blocks for each evaluation, one SVD; same "
             "shapes:", "", "| poses | LAPACK, ms | solve, ms | times |",
             "|---|---|---|---|",
             *(f"| {n:,} | {1000 * t:.2f} | {1000 * solves[n]:.1f} | {solves[n] / t:.1f} |"
               for n, t in floors.items()), "",
             *told, "## Kinematics with Jacobian, microseconds a configuration", "",
             f"calib, of 1,000 at once, by every parameter, placement and reading: {mine:.2f}. "
             + ("pinocchio is not installed." if theirs is None else
                f"pinocchio, one after the other\nfrom Python, by the joints: {theirs:.2f}. "
                f"They differ by {off:.0e}."), "",
             "## Growth, processor seconds", "",
             "solve with reliability, judge and report (page and PDF) by poses; plan (12 poses) by "
             "candidates.", *_growth(times), "",
             "![Growth and ratios](speed.png)", "",
             "## BLAS threads", "",
             f"A solve of 30 poses takes {1000 * every[1]:.1f} ms of processor time with BLAS held "
             f"to one thread, {1000 * every[0]:.1f} ms in", "all of its threads.", "",
             "## Targets", "", *_why(found, floors, few), "",
             *_targets(found, floors, solves, solve, peak, before, taken, snooped, wrong, commands,
                       times, length)]
    return lines, (times, found)


def _why(found, floors, few):
    """What a solve spends beside the linear algebra, as measured here."""
    shares = {poses: measure.parts(poses) for poses in (1000, 3000)}
    numeric = found["(a) scipy, numeric"][0]
    lines = [f"Why the solve is not nearer to bare LAPACK: a run of 8 poses already takes "
             f"{1000 * few:.1f} ms. So much is calling", "numpy some thousand times, from Python: "
             f"were all arithmetic free, 30 poses would be {numeric / few:.0f} times as",
             f"fast as (a) and take {few / floors[30]:.0f} times bare LAPACK. LAPACK does not walk "
             "along the chain either:"]
    for poses, of in shares.items():
        chain, made = (100 * of[part] / of["all"] for part in ("chain", "setting up"))
        lines.append(f"at {poses:,} poses its points and derivatives take {chain:.0f} % of the "
                     f"solve, setting up the problem {made:.0f} %.")
    return lines


def _command(older):
    """What commands take on the demo, and of these what has a target: name, seconds, most."""
    here, load = Path(__file__).parents[2], getloadavg()[0]
    clock = {name: command.waited(here, *words) for name, words in _WAITED.items()}
    if older is not None:
        clock |= {f"{name}, before": command.waited(older, *words)
                  for name, words in _WAITED.items()}
    columns = {"one process": command.stages(here, False),
               "first of two": command.stages(here, True)}
    loaded = {"": command.imports(here)}
    if older is not None:
        columns = {"one process, before": command.stages(older, False),
                   "first of two, before": command.stages(older, True), **columns}
        loaded = {"before": command.imports(older), "now": loaded[""]}
    most = sorted(loaded[min(loaded)], key=lambda name: -loaded[min(loaded)][name])[:12]
    told = ["## The command on the demo", "",
            "Seconds by the clock, medians of five, begun at a load of "
            f"{load:.1f} on {cpu_count()} processors:", "",
            "| | first line of the result | last line | end |", "|---|---|---|---|",
            *(f"| {name} | {t.result:.2f} | {t.last:.2f} | {t.end:.2f} |"
              for name, t in clock.items()),
            "", *_waits(clock["calib solve"], columns["first of two"], columns["one process"]), "",
            "Processor seconds that `calib solve` has taken when it says so. Where a second "
            "processor has nothing to", "do, a second process judges and draws a part, and what "
            "the first one waits for it is not in it.", "",
            "| | " + " | ".join(columns) + " |", "|---" * (1 + len(columns)) + "|",
            *(f"| {stage} | " + " | ".join(f"{c[stage]:.3f}" for c in columns.values()) + " |"
              for stage in command.STAGES), "",
            "Loaded without a report (`python -X importtime`, milliseconds, the largest):", "",
            "| | " + " | ".join(loaded) + " |", "|---" * (1 + len(loaded)) + "|",
            *(f"| {name} | " + " | ".join(f"{c.get(name, 0.0):.0f}" for c in loaded.values())
              + " |" for name in most),
            "| all | " + " | ".join(f"{sum(c.values()):.0f}" for c in loaded.values()) + " |", ""]
    return told, [("calib solve, verdict and parameters, s", clock["calib solve"].result, 0.7),
                  ("calib solve, whole, s", clock["calib solve"].end, 3.0),
                  ("calib next, s", clock["calib next"].end, 1.0),
                  ("calib --version, s", clock["calib --version"].end, 0.25),
                  ("calib --help, s", clock["calib --help"].end, 0.25),
                  ("a wrong option, s", clock["calib solve --nonsense"].end, 0.25)]


def _waits(waited, first, alone):
    """What the verdict waits for, as measured here."""
    bare = command.loading("sys")
    typed = command.loading("typer", "pydantic") - bare
    solver = command.loading("numpy", "scipy.optimize") - bare
    return [f"The verdict is there after {waited.result:.2f} s (asked: 0.70). Python alone takes "
            f"{bare:.2f} s of a processor, typer and", f"pydantic {typed:.2f} s, numpy and "
            f"scipy.optimize {solver:.2f} s: together {bare + typed + solver:.2f} s, before a line "
            "of calib. The rest of", f"the {first['verdict printed']:.2f} s that the first process "
            "takes until then is calib's own modules, solving, and its part of the",
            f"judgement; alone it would take {alone['verdict printed']:.2f} s."]


#: Commands that somebody waits for.
_WAITED = {
    "calib solve": ("solve", "{demo}", "--out", "{out}"),
    "calib solve --no-report": ("solve", "{demo}", "--out", "{out}", "--no-report"),
    "calib next": ("next", "{demo}"),
    "calib --help": ("--help",),
    "calib --version": ("--version",),
    "calib solve --nonsense": ("solve", "--nonsense"),
}


def _solve_time(poses):
    run = measure.a_run(poses)
    return measure.median(lambda: measure.whole(run), 5)


def _targets(found, floors, solves, solve, peak, before, taken, snooped, wrong, commands, times,
             length):
    own = found["calib"][0]
    others = {name: t / own for name, (t, _) in found.items() if t is not None
              and name != "calib" and not name.startswith("(a)")}
    nearest = min(others, key=others.get)
    rows = [
        ("times (a)", ">= 100", f"{found['(a) scipy, numeric'][0] / own:.0f}",
         found["(a) scipy, numeric"][0] / own >= 100),
        ("faster than (b) to (f)", "> 1", f"{others[nearest]:.1f}, the nearest {nearest}",
         others[nearest] > 1),
        *((f"times bare LAPACK, {n:,} poses", "<= 4", f"{solves[n] / t:.1f}", solves[n] / t <= 4)
          for n, t in floors.items()),
        ("3,000 poses over 30", "<= 40", f"{solve[3000] / solve[30]:.0f}",
         solve[3000] / solve[30] <= 40),
        ("30,000 poses, s", "<= 6", f"{taken:.1f}", taken <= 6),
        ("30,000 poses, peak MB", "<= 400", f"{peak:.0f} ({before:.0f} before the solve)",
         peak <= 400),
        *((f"100 {what} in 2,000 poses, s", "<= 5",
           f"{took:.1f} ({right} found, {named - right} others named)", took <= 5)
          for what, (took, right, named) in (("shots off", snooped), ("readings off", wrong))),
        *((what, f"<= {most:g}", f"{took:.2f}", took <= most) for what, took, most in commands),
        ("1,000 poses on 40 stands over 1", "about 1", f"{(many := measure.stands()):.2f}",
         many <= 1.5),
        *((f"exponent of {name} from 300", "<= 1.1", f"{(e := exponent(*of, 300)):.2f}", e <= 1.1)
          for name, of in times.items()),
        ("page of 3,000 poses, MB", "< 3", f"{length[3000]:.2f}", length[3000] < 3),
    ]
    return ["| what | asked | measured | |", "|---|---|---|---|",
            *(f"| {what} | {asked} | {got} | {'met' if met else '**missed**'} |"
              for what, asked, got, met in rows)]


def _where():
    libraries = []
    for name in ("numpy", "scipy", "lmfit", "odrpack", "casadi", "pyceres", "pin"):
        try:
            libraries.append(f"{name} {version(name)}")
        except PackageNotFoundError:
            continue
    kernels = sorted({str(library.get("architecture")) for library in threadpool_info()
                      if library["user_api"] == "blas"})
    return [f"Processor seconds, medians, one thread, {platform.machine()}, Python "
            f"{platform.python_version()}, {', '.join(libraries)};",
            f"BLAS kernels for {', '.join(kernels)}.",
            "Made by `python -m benchmarks.speed`; ratios are of one run, absolute numbers are "
            "of one machine."]


if __name__ == "__main__":
    main()
