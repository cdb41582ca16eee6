"""Where a result comes from: files, versions, command, options and stated sds."""

from calib.document.record import ResultRecord
from calib.report.blocks import Block, Items, Name, Section, Table, Text, fixed, mm, words


def provenance(document: ResultRecord) -> Section:
    """The last section of the report."""
    choice, check = document.set_aside.choice, document.check
    blocks: list[Block] = [Text(words(
        f"Command: calib solve, with --set-aside {choice}.",
        *(() if check is None else (" Tolerance of check shots: ", mm(check.tolerance, 0),
                                    " mm.")),
    ))]
    versions = ", ".join(f"{name} {version}" for name, version in
                         {"calib": document.calib, **document.computed_with}.items())
    blocks.append(Text(words(f"Computed with {versions}; "
                             f"{'converged' if document.converged else 'not converged'} after ",
                             fixed(document.iterations, 0), " iterations.")))
    blocks.append(Text(words(f"Rig: {document.rig.title} ({document.rig.name}).")))
    files = document.run.files
    if files:
        blocks.append(Table("Files of the run as they were read", ("file", "SHA-256"),
                            [[name, digest] for name, digest in files.items()], wide=(1,),
                            folded=True))
    if document.run.notices:
        blocks.append(Items(tuple(("notice", words(str(n))) for n in document.run.notices)))
    blocks += _stated_sds(document)
    blocks.append(_stands(document))
    return Section("provenance", "Provenance", tuple(blocks))


def _stated_sds(document):
    definition = document.rig.definition
    blocks = []
    shots = (definition.get("shots") or {}).get("sd")
    if shots:
        blocks.append(Table("Stated sds of shots (mm)", ("axis", "sd"),
                            [[axis, mm(sd)] for axis, sd in shots.items()], folded=True))
    readings = definition.get("readings", {}).get("sd", {})
    if readings:
        blocks.append(Table("Stated sds of readings (deg)", ("reading", "sd"),
                            [[Name(name), fixed(sd, 3)] for name, sd in readings.items()],
                            folded=True))
    return blocks


def _stands(document):
    rows = [[s.name, *(fixed(at, 3) for at in (s.east, s.north, s.up)),
             *(mm(sd) for sd in (s.sd.east, s.sd.north, s.sd.up)),
             fixed(s.heading, 3), fixed(s.sd.heading, 3)] for s in document.stands]
    sensors = document.rig.definition.get("sensors", {}).values()
    swung = any(sensor.get("kind") == "slew" for sensor in sensors)
    where, when = ("swing axis", " at slew 0") if swung else ("boom foot", "")
    return Table(f"Stands: the {where} (m, sds in mm) and the heading{when} (deg)",
                 ("stand", "east", "north", "up", "sd east", "sd north", "sd up", "heading",
                  "sd heading"), rows, folded=True)
