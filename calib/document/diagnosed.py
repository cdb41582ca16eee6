"""The document of a diagnosis: which field mistake explains a run that does not fit."""

from pydantic import Field

from calib.document.fields import Flag, Maybe, Record, Unbounded


class Explained(Record):
    """A mistake, or none, and how the run fits with it undone."""

    says: str
    edit: str | None = Field(description="of the files, that undoes it")
    family: str | None = Field(description="mistakes of one family share their odds")
    chi2: Unbounded
    dof: int
    variance_factor: Unbounded
    behind: Unbounded = Field(description="score behind the best explanation")
    passes: Flag = Field(description="the global test")


class FitsAsWell(Record):
    """Another reading of a run that fits."""

    says: str
    tells: str | None = Field(description="the parameter whose taped value tells which")


class OddValue(Record):
    """A value that does not fit the others as the run is."""

    name: str
    kind: str
    says: str
    chance: Maybe


class Figures(Record):
    """What a run comes to; all null where it has no solution."""

    variance_factor: Unbounded
    edge_sd: Unbounded = Field(description="worst over the envelope, m")
    passed: Flag | None = Field(description="every gate did")


class Applied(Record):
    """The corrected copy of a run."""

    folder: str
    before: Figures
    after: Figures


class Diagnosis(Record):
    """What ``calib diagnose`` prints."""

    says: str
    fits: Flag
    looked_at: int = Field(description="explanations that were tried")
    as_it_is: Explained
    mistake: Explained | None = Field(description="the cause, if one leaves a run that passes")
    part: Explained | None = Field(description="a part of more than one cause")
    fits_as_well: list[FitsAsWell]
    cannot_be_told_from: list[Explained]
    explanations: list[Explained] = Field(description="the best first")
    suspects: list[OddValue]
    criterion: str
    not_seen: list[str]
    next: list[str] = Field(description="commands")
    cautions: list[str]
    applied: Applied | None = Field(None, description="the corrected copy that was written")
