"""What is said of the job: which machine, where, when, who, with what, from which inputs."""

from collections.abc import Sequence

from calib.document.fleet import FleetRun
from calib.document.planned import PlanRecord
from calib.document.record import ResultRecord
from calib.document.solved import Job

#: What stands before each entry.
LABELS = {
    "machine": "Machine", "serial": "Serial number", "attachment": "Attachment", "place": "Place",
    "date": "Date", "by": "Measured by", "instrument": "Instrument", "notes": "Notes",
}


def stated(job: Job) -> list[tuple[str, str]]:
    """Label and text of what is stated, in the order of `LABELS`."""
    return [(label, text) for key, label in LABELS.items() if (text := getattr(job, key))]


def job_line(document: ResultRecord) -> str:
    """The job and the fingerprint of the inputs in a line; what is not there is left out."""
    inputs = f"inputs {fingerprint_words(document)}" if document.fingerprint else ""
    return ", ".join(filter(None, (job_words(document.job), inputs)))


def below_title(document: ResultRecord) -> list[tuple[str, str]]:
    """Label and text of what stands below a title that names the machine."""
    digits = fingerprint_words(document)
    told = stated(document.job.model_copy(update={"machine": None}))
    return [*told, *([("Inputs", digits)] if digits else [])]


def job_words(job: Job) -> str:
    """Machine, attachment, place, date and person in a line; empty if nothing is stated."""
    serial = f" (serial number {job.serial})" if job.serial else ""
    machine = f"{job.machine or 'Machine not named'}{serial}" if job.machine or serial else ""
    by = f"measured by {job.by}" if job.by else ""
    return ", ".join(filter(None, (machine, job.attachment, job.place, job.date, by)))


def fingerprint_words(document: ResultRecord | PlanRecord | FleetRun) -> str:
    """The fingerprint of the inputs in groups that can be read aloud; empty if there is none."""
    text = document.fingerprint
    return " ".join(text[i:i + 4] for i in range(0, len(text), 4))


def lines_of(named: Sequence[tuple[str, ResultRecord]]) -> list[tuple[str, str]]:
    """What each of several results is called, and its job and fingerprint."""
    return [(name, line) for name, document in named if (line := job_line(document))]


def fingerprints_of(named: Sequence[tuple[str, ResultRecord]]) -> str:
    """What ties a page to several results; empty if none of them has a fingerprint."""
    told = "; ".join(f"{name} {fingerprint_words(document)}" for name, document in named
                     if document.fingerprint)
    return f"Inputs {told}: the fingerprints in result.json." if told else ""
