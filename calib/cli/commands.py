"""What can be typed: every command with its options, in the order in which a job needs them.

A function here is a signature and a help text alone; what it does is the function of the same name
in the module of that name, which is imported once the words have been understood: help and wrong
usage do not wait for libraries.
"""

from pathlib import Path
from typing import Annotated, Any, Literal

from typer import Argument, Option

from calib.cli.import_options import signature

#: Minutes of a plan when the user says neither them nor a number nor a goal (common practice, no
#: source).
MINUTES = 45.0

Run = Annotated[Path, Argument(help="The run folder (see: calib new).")]
Result = Annotated[Path, Argument(help="result.json, or the folder it is in.")]
Json = Annotated[bool, Option("--json", help="Print one JSON document.")]

Machine = Annotated[Path | None, Option(
    metavar="RESULT", help="An earlier result of this machine with another attachment: what it "
    "says of all but the attachment is known beforehand, with its full covariance. For a new "
    "bucket some four poses then do.")]
Tolerance = Annotated[float | None, Option(
    min=0.1, help="Largest 3-D miss of a check shot allowed, mm; [check] tolerance of rig.toml if "
    "not given, else its goal with the readings' noise on top, else 30 mm (common practice, no "
    "source).")]

Instrument = Annotated[str, Option(
    help="Where the instrument stands: metres ahead, left and above the boom foot pin, or none.")]
FootHeight = Annotated[float, Option(min=0.1, help="Boom foot pin above the ground, m.")]
Nearest = Annotated[float, Option(
    min=0.0, help="The edge stays this far ahead of the boom foot pin, m.")]
Highest = Annotated[float, Option(
    min=0.1, help="The edge, and what needs a hand on it, stay below this height above the ground, "
    "m: what a pole reaches (99 for no limit).")]
Candidates = Annotated[int, Option(min=100, max=200_000, help="Poses to choose from.")]


def demo(
    folder: Annotated[Path, Argument(help="Where the demo run and its results go.")] = Path(
        "calib-demo"),
) -> None:
    """Solve the shipped demo run: invented data, two planted gross errors, six check shots."""


def rig(
    action: Annotated[Literal["list", "show", "check"], Argument(
        help="list: the shipped rigs. show: one in words. check: whether it is sound, and which "
             "of its parameters shots cannot tell apart.")],
    name: Annotated[str | None, Argument(
        metavar="RIG", help="The name of a shipped rig, a rig file, or a run folder.")] = None,
) -> None:
    """List the shipped rigs, show a rig in words, or check one: shipped, or of your own."""


def new(
    folder: Annotated[Path, Argument(
        help="The run folder to make; it must not exist yet.", show_default=True)] = Path("run"),
    rig: Annotated[str | None, Option(
        metavar="NAME", show_default=False, help="The shipped rig that the machine is like; calib "
        "rig list names them.")] = None,
    yes: Annotated[bool, Option("--yes", help="Ask nothing: take every default.")] = False,
) -> None:
    """Make a run folder to fill in: every file with its columns, comments and the cautions.

    Asks what the machine is like, what was taped, which instrument, and how well the edge must be
    known; an empty line takes the default. A pipe may answer, a line each; where nobody does,
    defaults are taken, and that is said.
    """


def plan(
    source: Annotated[Path, Argument(
        metavar="RUN_OR_RIG", help="A run folder (rig.toml, and tape.csv if there is one), a rig "
        "file, or the name of a shipped rig.")],
    minutes: Annotated[float | None, Option(
        min=5.0, max=1000.0, help=f"How long it may take in the field; {MINUTES:g} if neither "
        "this, --poses nor a goal is given.")] = None,
    poses: Annotated[int | None, Option(
        min=2, max=200, help="How many poses, in place of minutes.")] = None,
    goal: Annotated[str | None, Option(
        help="What the edge must be known to, such as 8mm (95 %, worst over the envelope): the "
        "least minutes are looked for; [goal] of rig.toml if not given.")] = None,
    machine: Machine = None,
    stands: Annotated[int, Option(min=1, max=9, help="Parking positions.")] = 1,
    out: Annotated[Path | None, Option(
        help="Where the plan goes; RUN/plan if not given.")] = None,
    best_for: Annotated[Literal["edge", "parameters"], Option(
        "--for", help="What is to be known best: the edge over the envelope of the rig file, or "
        "the parameters.")] = "edge",
    targets: Annotated[str | None, Option(
        help="What may be shot, names with commas; both corners of the edge, pins and marks if "
        "not given.")] = None,
    instrument: Instrument = "14,9,-0.3",
    foot_height: FootHeight = 1.9,
    nearest: Nearest = 2.5,
    highest: Highest = 2.0,
    candidates: Candidates = 20_000,
    seed: Annotated[int, Option(min=0, help="The same seed gives the same plan.")] = 0,
    json: Annotated[bool, Option("--json", help="Print plan.json.")] = False,
) -> None:
    """Plan which poses to shoot, and what in each: a pose sheet to print, and what it is worth.

    How long things take is in [effort] of the rig.
    """


def import_(**given: Any) -> None:
    """Make a run folder from field files as they were exported.

    Give all files: shots, readings, known points. What they are and how they are written is
    proposed, asked where it is doubtful, and kept in the run folder for the next time. Options say
    it beforehand.

    Nothing is guessed silently: what was understood is printed, and sources.csv in the run folder
    says where each number came from.

    \b
    Examples:
    calib import job.csv log.csv
    calib import raw.csv control.csv readings.csv --into RUN --instrument "5 arcsec, 2 mm + 2 ppm"
    calib import job.txt --into RUN --order PNEZD --unit m --frame ground --pole applied
      --ids "{pose}-{target}" --target left=edge_left --target right=edge_right
      --target pin=stick_pin --sheet readings.csv
    """


import_.__signature__ = signature()  # type: ignore[attr-defined]


def solve(
    run: Run,
    out: Annotated[Path | None, Option(
        help="Where results go; RUN/result if not given.")] = None,
    set_aside: Annotated[str, Option(
        metavar="suspects|none|ID,...", help="Solve without the suspects, or without what is "
        "named: a shot's ID, pose:ID, POSE/READING, tape:QUANTITY or sight:SETUP/POINT.")] = "none",
    machine: Machine = None,
    tolerance: Tolerance = None,
    bootstrap: Annotated[int | None, Option(
        min=100, max=100_000, metavar="N", help="Also solve N times with poses drawn from those of "
        "the run: intervals beside the linear ones.")] = None,
    seed: Annotated[int, Option(min=0, max=10**9, help="Of the bootstrap.")] = 0,
    no_report: Annotated[bool, Option(
        "--no-report", help="Numbers only: draw no plots and no report.")] = False,
    json: Annotated[bool, Option(
        "--json", help="Print result.json instead of the summary.")] = False,
) -> None:
    """Solve a run: geometry, how well each number is known, and what does not fit."""


def diagnose(
    run: Run,
    apply: Annotated[Path | None, Option(
        metavar="FOLDER", help="Write a corrected copy of the run into this new folder, if the "
        "cause is found. The run itself stays as it is.")] = None,
    machine: Machine = None,
    json: Json = False,
) -> None:
    """Say which mistake explains a run that does not fit; never changes the run."""


def explore(
    run: Run,
    free: Annotated[str | None, Option(
        metavar="NAMES", help="Take these effects into the rig, comma separated, in a copy of the "
        "run. The run itself stays as it is.")] = None,
    copy: Annotated[Path | None, Option(
        metavar="FOLDER", help="The new folder for that copy; beside the run and named after it "
        "and the effects, if not given.")] = None,
    json: Json = False,
) -> None:
    """Say which effects the shots ask for: axes out of square, sag, play, sensors' shapes."""


def next_(
    run: Annotated[Path, Argument(help="The run folder, with what was shot so far.")],
    poses: Annotated[int, Option(min=1, max=50, help="How many to propose.")] = 3,
    goal: Annotated[str | None, Option(
        help="What the edge must be known to, such as 15mm (95 %, worst over the envelope); [goal] "
        "of rig.toml if not given, else 30 mm (common practice, no source).")] = None,
    stand: Annotated[str | None, Option(
        help="Where to shoot; the stand of the last shot if not given.")] = None,
    set_aside: Annotated[str | None, Option(
        metavar="suspects|none|ID,...", help="Go on without the suspects, or without what is "
        "named, as in calib solve; as in the result in RUN if not given.")] = None,
    machine: Machine = None,
    targets: Annotated[str | None, Option(
        help="What will be shot in every pose, names with commas; both corners of the edge if not "
        "given.")] = None,
    instrument: Instrument = "14,9,-0.3",
    foot_height: FootHeight = 1.9,
    nearest: Nearest = 2.5,
    highest: Highest = 2.0,
    candidates: Candidates = 4_000,
    seed: Annotated[int, Option(min=0, help="Of the poses to choose from.")] = 0,
    watch: Annotated[bool, Option(
        "--watch", help="Read again whenever the files change, until it is enough.")] = False,
    json: Json = False,
) -> None:
    """Say how well the edge is known by now, which poses to add, and when it is enough.

    Works while the run goes on, also before it can be solved. The envelope is that of rig.toml.
    The exit status is 6 until the goal is met and nothing speaks against entering the values.
    """


def yard(
    run: Run,
    share: Annotated[bool, Option(
        "--share", help="Let other devices of the local network in too, with a code that is shown "
        "here and works once.")] = False,
    collector: Annotated[Path | None, Option(
        metavar="FILE", help="The file that the data collector writes its points to: they become "
        "shots as they come. It is read, never changed.")] = None,
    log: Annotated[Path | None, Option(
        metavar="FILE", help="The log that the sensors write: its end fills in the readings of a "
        "pose.")] = None,
    port: Annotated[int, Option(min=0, max=65535, help="0: one that is free.")] = 0,
    no_browser: Annotated[bool, Option(
        "--no-browser", help="Print where the page is and open nothing.")] = False,
) -> None:
    """Open the page for the yard: what to do next, what came in, is it good, is it enough.

    Served from this machine to its own browser; nothing goes to any other network. Everything is
    written to the run folder at once. Stop with Ctrl-C.
    """


def check(
    result: Result,
    shots: Annotated[Path | None, Option(
        help="Check shots; check.csv of the run folder if not given.")] = None,
    run: Annotated[Path | None, Option(
        help="The run folder; the one RESULT lies in if not given.")] = None,
    tolerance: Tolerance = None,
    json: Json = False,
) -> None:
    """Predict check shots from a result and judge the misses; nothing is written."""


def report(
    result: Result,
    out: Annotated[Path | None, Option(
        help="Where the report goes; beside the result if not given.")] = None,
    at: Annotated[list[str] | None, Option(
        metavar="JOINT=DEG,...", help="Also give the edge's sd at this posture; joints not named "
        "are at 0. May be repeated.")] = None,
) -> None:
    """Write report.html and report.pdf from a result."""


def sheet(
    result: Result,
    out: Annotated[Path | None, Option(
        help="Where the sheet goes; beside the result if not given.")] = None,
    entries: Annotated[Path | None, Option(
        metavar="FILE", help="What the machine's own system asks for (calib entries example); that "
        "of the run folder, kept in the result, if not given.")] = None,
    length: Annotated[Literal["mm", "m", "ft", "ft-in"], Option(help="Unit of lengths.")] = "mm",
    angle: Annotated[Literal["deg", "dms", "gon"], Option(help="Unit of angles.")] = "deg",
    length_digits: Annotated[int | None, Option(
        min=0, max=6, help="Decimals of lengths (of inches for ft-in).")] = None,
    angle_digits: Annotated[int | None, Option(
        min=0, max=6, help="Decimals of angles (of seconds for dms).")] = None,
) -> None:
    """Write the set-up sheet, sheet.html and sheet.pdf: values, signs, checks by tape, cautions."""


def entries(
    action: Annotated[Literal["example", "check", "complete"], Argument(
        help="example: print a list to change (invented). check: whether a list determines where "
             "the edge is, or what it leaves out. complete: print a list with an entry more for "
             "all that it leaves out.")],
    file: Annotated[Path | None, Argument(
        metavar="FILE", help="The list, such as entries.toml of a run folder.")] = None,
    name: Annotated[str | None, Argument(
        metavar="RIG", help="The name of a shipped rig, a rig file, a run folder, or the folder of "
        "a result, which then judges the list; the folder that FILE is in if not given. A run "
        "folder's newest result judges it.")] = None,
) -> None:
    """Print an invented list of what a system asks for, or check one: is it enough for the edge?

    A run folder with entries.toml keeps the list in result.json: calib sheet and calib confirm
    then need the result alone.
    """


def confirm(
    result: Result,
    shown: Annotated[Path | None, Argument(
        metavar="SHOWN", help="shown.csv: pose, target, forward, left, up (or east, north, up), "
        "and the readings; without it one to fill in is printed, with poses that tell most.")
    ] = None,
    entries: Annotated[Path | None, Option(
        metavar="FILE", help="What was to be typed, if not the list kept in the result.")] = None,
    out: Annotated[Path | None, Option(
        help="Also write confirm.html and confirm.json there.")] = None,
    json: Json = False,
) -> None:
    """Prove by the machine's own display that the values were typed right, or say which is not.

    Ends with status 0 if the display agrees, no slip that matters is left open and the result is
    one to be entered, else with 6.
    """


def compare(
    first: Annotated[Path, Argument(help="A result (result.json or its folder) or a tape.csv.")],
    second: Annotated[Path, Argument(help="Another.")],
    out: Annotated[Path | None, Option(
        help="Also write compare.html and compare.json there.")] = None,
    json: Json = False,
) -> None:
    """Compare two set-ups: differences, their significance, and what they mean at the edge.

    Ends with status 6 unless the values of the one, entered where those of the other are right,
    keep the edge that is required, and no result is one that is not to be entered.
    """


def drift(
    old: Annotated[Path, Argument(
        metavar="OLD|PLAN.toml", help="The older result; or the file of many runs, as for calib "
        "together, to be adjusted in one go.")],
    new: Annotated[Path | None, Argument(help="The newer result.")] = None,
    out: Annotated[Path | None, Option(
        help="Also write drift.html and drift.json there.")] = None,
    json: Json = False,
) -> None:
    """Test whether the machine has changed between results, and what of it.

    Ends with status 6 if something has moved, or if the two results cannot tell: of different
    models, or with gates that failed.
    """


def history(
    folder: Annotated[Path, Argument(help="Every result.json below it is taken up.")],
    json: Json = False,
) -> None:
    """Record every result below a folder in history.csv and show each quantity over time.

    A line once written is never changed; history.html beside it has the plots.
    """


def together(
    plan: Annotated[Path, Argument(
        metavar="PLAN.toml", help="Which runs, in the order of time: [[runs]] with folder, "
        "attachment, day, remounted, set_aside; [scopes] with PARAMETER = shared, attachment or "
        "day.")],
    out: Annotated[Path | None, Option(
        help="Where results go; PLAN-together beside the file if not given.")] = None,
    no_report: Annotated[bool, Option(
        "--no-report", help="Numbers only: draw no plots and no reports.")] = False,
    json: Annotated[bool, Option("--json", help="Print together.json.")] = False,
) -> None:
    """Adjust runs of one machine in one go, and test whether they share what they should.

    Boom, stick and rotator are shared by all runs, the edge by those with one attachment, zeros
    until a sensor was remounted. Every run gets a result of its own below --out, with what the
    others say of its machine. Ends with status 6 if sharing was not justified, or a run's result
    failed a gate.
    """


def fleet(
    root: Annotated[Path, Argument(help="Every run folder below it is solved.")],
    out: Annotated[Path | None, Option(
        help="Where table and page go; ROOT/fleet if not given.")] = None,
    processes: Annotated[int | None, Option(
        min=1, max=1024, help="Worker processes; one for each processor if not given.")] = None,
    scheduler: Annotated[str | None, Option(
        metavar="ADDRESS", help="Solve on a Dask cluster, such as tcp://127.0.0.1:8786, whose "
        "workers see the same folders.")] = None,
    report: Annotated[bool, Option(
        "--report", help="Also draw the report of each run: takes several times as long.")] = False,
    json: Json = False,
) -> None:
    """Solve every run below a folder; a table of all, and a page with the worst first.

    Each run gets its result as calib solve --no-report writes it. What was solved before from the
    same files is not solved again, so a fleet that was stopped goes on. A former result with a
    report or a sheet is kept as result-earlier. Ends with status 6 if any run did not pass.
    """


def simulate(
    folder: Annotated[Path, Argument(help="The run folder to make; it must not exist yet.")],
    poses: Annotated[int, Option(min=1, help="Poses to shoot.")] = 24,
    stands: Annotated[int, Option(min=1, help="Parking positions they are dealt to.")] = 1,
    check_poses: Annotated[int, Option(min=0, help="Further poses for check shots.")] = 3,
    gross: Annotated[int, Option(min=0, help="Shots with a gross error of 5-15 cm.")] = 0,
    seed: Annotated[int, Option(min=0, help="The same seed gives the same run.")] = 0,
    rig: Annotated[Path | None, Option(
        help="A rig file with sds; the standard rig if not given.")] = None,
) -> None:
    """Make a run with known truth: invented data, for learning and for testing.

    Shot as calib plan would: edge and pins, nothing that a pole does not reach. truth.json in the
    folder holds the machine it was made from and any gross errors.
    """


def help_(
    word: Annotated[list[str] | None, Argument(
        help="Such as gate, w, or variance factor; all of them if not given.")] = None,
) -> None:
    """Explain a word of results, sheets and reports, and say what to do about it.

    Of several words that are no term together each is explained.
    """


def schema(
    document: Annotated[Literal["result", "plan", "next"], Argument(
        help="result.json, plan.json, or what calib next --json prints.")] = "result",
) -> None:
    """Print the JSON schema of result.json or another: every key, its type, unit and meaning."""
