"""What a person reads of a fleet: counts, the worst runs first, distributions."""

from calib.document.fleet import FleetRecord
from calib.report.blocks import (
    COLUMN,
    Link,
    Name,
    Picture,
    Section,
    Table,
    Text,
    fixed,
    in_two,
    mm,
    words,
)
from calib.report.figures import fleet as figures
from calib.report.numbers import SHOWN
from calib.report.words.job import fingerprint_words, job_words


def fleet_sections(document: FleetRecord) -> list[Section]:
    """Counts, worst runs, parameters against tape, misfits."""
    counts = ", ".join(f"{status} {n:,}" for status, n in document.states.items())
    sections = [
        Section("fleet", "What became of them", (
            Text(words(f"{document.runs:,} runs, of which {counts}."), "lead"),
            Text(words("On average ", fixed(document.seconds, 2), " s of a processor and ",
                       fixed(document.bytes_per_run, 0, 1e-3), " kB for each run; a worker took ",
                       fixed(document.most_megabytes, 0), " MB of memory at most.")),
            _worst(document))),
        Section("parameters", "Parameters against their tape", (
            _parameters(document), *_pictures(document))),
    ]
    return sections


def _worst(document):
    rows = [[w.run if w.report is None else Link(w.run, w.report), ", ".join(filter(None, (
                job_words(w.job), fingerprint_words(w)))) or "-", w.status,
             fixed(w.variance_factor, 2), mm(w.edge95), w.says] for w in document.worst]
    return Table("The worst first; where a report is drawn the name leads to it. Edge at 95 %, "
                 "worst over the envelope, mm.",
                 ("run", "machine and inputs", "status", "variance factor", "edge",
                  "what it says"), rows,
                 [w.status != "passed" for w in document.worst], wide=(1, 5), total=document.runs)


def _parameters(document):
    rows = []
    for p in document.parameters:
        label, factor = SHOWN[p.unit]
        decimals = 1 if p.unit == "m" else 3
        rows.append([Name(p.name), label, fixed(p.runs, 0), fixed(p.taped, 0),
                     fixed(p.median_difference, decimals, factor, True),
                     fixed(p.spread, decimals, factor),
                     fixed(p.beyond, 0) if p.taped else None])
    return Table("Solved less taped over all runs in which no gate failed: median, half of what "
                 "holds 68 %, and how many differ by more than three sds. Lengths in mm, angles in "
                 "deg.",
                 ("quantity", "unit", "runs", "taped", "median", "spread", "beyond 3 sds"), rows,
                 wide=(0,))


def _pictures(document):
    taped = [p for p in document.parameters if p.differences is not None]
    yield from in_two(
        "against-tape", "Solved less taped, runs by size of the difference",
        "A histogram per parameter over the middle 98 % of the runs; a line at zero.",
        figures.against_tape, taped, 0.6, 1.6)
    if document.variance_factors is not None:
        yield Picture("misfits", "How well the runs fit",
                      "A histogram of the logarithm of the variance factor; a line where the "
                      "misfits are as the stated sds say.", figures.misfits, (COLUMN, 2.4))
