"""What a person reads of runs that were adjusted in one go, and of their drift."""

from calib.document.solved import Job
from calib.document.together import TogetherRecord
from calib.report.blocks import (
    Items,
    Name,
    Section,
    Table,
    Text,
    fixed,
    in_two,
    value_cells,
    words,
)
from calib.report.figures.over_time import over_time
from calib.report.numbers import SHOWN
from calib.report.words.cautions import CAUTIONS
from calib.report.words.job import job_words


def together_sections(document: TogetherRecord) -> list[Section]:
    """Verdict, quantities with what sharing gained, each over time, the runs."""
    return [
        Section("verdict", "Is it one machine?", tuple(_verdict(document))),
        Section("quantities", "The machine", (_quantities(document), _gain(document))),
        *over_time_sections(document),
        _runs_section(document),
        Section("cautions", "Before anyone goes to the machine", (
            Items(tuple(("", words(caution)) for caution in CAUTIONS)),)),
    ]


def drifted_sections(document: TogetherRecord) -> list[Section]:
    """What has moved between the runs, and each quantity over time."""
    return [
        Section("drift", "What has moved", tuple(_verdict(document))),
        *over_time_sections(document),
        _runs_section(document),
    ]


def over_time_sections(document: TogetherRecord) -> list[Section]:
    """Each shared quantity run by run; none where nothing is shared."""
    if not document.over_time:
        return []
    numbered = ", ".join(f"{i} {run.name}" for i, run in enumerate(document.runs, 1))
    rows = [row for one in document.over_time for row in _of_runs(one)]
    return [Section("time", "Each quantity over time", (
        *in_two("over-time", "Each quantity run by run, less its shared value",
                "Points with 95 % bars: this quantity another in every run, everything else "
                "shared. Grey band: 95 % of the shared value.", over_time, document.over_time,
                0.6, 1.75),
        Text(words(f"Runs: {numbered}.")),
        Table("This quantity another in every run, everything else shared. Lengths in mm, angles "
              "in deg.", ("quantity", "unit", "shared", "sd", "run", "run less shared",
                          "sd of run", "in sds"), rows),
    ))]


def _of_runs(one):
    """Rows of one quantity: as it is shared, and in each run."""
    value, sd, write = value_cells(one.value, one.sd, one.unit)
    told = [(run, v - one.value, s) for run, v, s in zip(one.runs, one.values, one.sds, strict=True)
            if v is not None]
    for k, (run, off, s) in enumerate(told):
        shared = [Name(one.name), SHOWN[one.unit][0], value, sd] if k == 0 else ["", "", None, None]
        yield [*shared, run, write(off, sign=True), write(s),
               fixed(off / s if s else None, 1, 1.0, True)]


def _verdict(document):
    test = document.sharing
    says, colon, what = document.says.partition(": ")
    yield Text(words(says + colon.strip()), "lead")
    if what:
        yield Text(words(what))
    apart = [f"{run.name}: {run.day} here, {run.job.date} in its [job]" for run in document.runs
             if run.job.date and run.day not in (run.job.date, run.name)]
    if apart:
        yield Text(words(f"Days that differ: {'; '.join(apart)}."), "note")
    machines = {name: job_words(Job(machine=j.machine, serial=j.serial)) for name, j in (
        (run.name, run.job) for run in document.runs) if j.machine or j.serial}
    if len(set(machines.values())) > 1:
        told = ", ".join(f"{name} {machine}" for name, machine in machines.items())
        yield Text(words(f"The runs are stated to be of different machines: {told}."), "note")
    if test.differences:
        yield Items(tuple(("split", words(d.do)) for d in test.differences))
    if not test.same_precision:
        yield Text(words("The runs fit themselves differently well: each was weighted by how well "
                         "it does in this test. Look at their own reports before trusting it."),
                   "note")
    if test.statistic is not None:
        yield Text(words(
            "Congruency test of what the shots of all runs say, the tape left out: F ",
            fixed(test.statistic, 2), ", critical ", fixed(test.limit, 2), " at ",
            fixed(test.level, 0, 100.0), " % (", fixed(test.rank, 0), " and ",
            fixed(test.dof, 0), " degrees of freedom, pooled variance factor ",
            fixed(test.pooled_variance_factor, 2), ")."))


def _quantities(document):
    rows = []
    for q in document.quantities:
        value, sd, write = value_cells(q.value, q.sd, q.unit)
        best = _best_alone(q)
        rows.append([Name(q.name), SHOWN[q.unit][0], value, sd if q.sd is not None else "held",
                     write(best), None if best is None or not q.sd else fixed(best / q.sd, 2),
                     fixed(len(q.runs), 0)])
    doubt = "" if document.sharing.justified else (
        "As if the runs shared it, which they do not, and not to be entered. ")
    return Table(f"{doubt}All runs in one adjustment, tape included. Lengths in mm, angles in deg; "
                 "covariances across runs are in together.json.",
                 ("quantity", "unit", "value", "sd", "least sd of a run alone", "times",
                  "runs"), rows)


def _gain(document):
    if not document.sharing.justified:
        return Text(words("What sharing would gain is not told: the runs do not share it."), "note")
    gains = [best / q.sd for q in document.quantities
             if q.sd and (best := _best_alone(q)) is not None]
    if not gains:
        return Text(words("No run can be solved by itself: there is nothing to compare with."))
    gains = sorted(gains)
    return Text(words("Together the sds are smaller by a factor of ",
                      fixed(gains[len(gains) // 2], 2), " (median) against the best run alone, ",
                      fixed(gains[0], 2), " to ", fixed(gains[-1], 2), "."))


def _best_alone(quantity):
    return min((a.sd for a in quantity.alone if a.sd), default=None)


def _runs_section(document):
    stated = [[run.name, job_words(run.job), run.job.instrument or "-", run.job.notes or "-"]
              for run in document.runs]
    jobs = Table("The job of each run.", ("run", "job", "instrument", "notes"), stated,
                 wide=(1, 2, 3))
    return Section("runs", "The runs", (_runs(document), jobs))


def _runs(document):
    latest = {run.attachment: run.name for run in document.runs}
    rows = [[run.name, run.attachment, run.day, fixed(run.shots, 0), fixed(run.poses, 0),
             fixed(run.variance_factor, 2), ", ".join(run.set_aside) or "-",
             ", ".join(run.failed) or run.note or "passed",
             (run.result or "-") + (" (to enter)" if latest[run.attachment] == run.name
                                    and run.result and document.passed else "")]
            for run in document.runs]
    return Table("Each run with what the others say of its machine is a result of its own.",
                 ("run", "attachment", "day", "shots", "poses", "variance factor", "set aside",
                  "gates", "result"), rows, [bool(run.failed or run.note) for run in document.runs],
                 wide=(7, 8))
