"""Six ways in which a surveyor's files come, all invented: one machine, 12 poses, both corners.

Each layout: the files, and the options that a person has to give to import them with all said, and
with only what is doubtful said.
"""

from dataclasses import dataclass

import numpy as np

START = np.datetime64("2031-05-04T06:00:00")
STATION, TURN = np.array([1038.0, 5032.0, 53.1]), np.radians(217.3)
KNOWN = {"CP1": (1060.0, 5040.0, 52.0), "CP2": (975.0, 5035.0, 55.0), "CP3": (1010.0, 4955.0, 51.0)}
GERMAN = ("Längsneigung", "Querneigung", "Ausleger", "Stiel", "Schnellwechsler", "Tilt", "Rotator")


@dataclass(frozen=True)
class Layout:
    """One layout.

    Attributes
    ----------
    files : dict of str to str
    doubtful : tuple of str
        What has to be said on the command line where nobody can be asked.
    moved : ndarray, shape (3,)
        What is added to the run's coordinates.
    factor : float
        Grid distance over ground distance.
    """

    name: str
    files: dict[str, str]
    doubtful: tuple[str, ...] = ()
    moved: tuple[float, float, float] = (0.0, 0.0, 0.0)
    tolerance: float = 1e-4


def shots_of(run):
    """Pose number, left or right, position, time of every shot."""
    seen = {}
    for pose, target, at in zip(run.shots.pose, run.shots.target, run.shots.position,
                                strict=True):
        side = run.rig.target_names[target].removeprefix("edge_")
        seen[pose, side] = (run.poses.ids[pose], side, at, START + np.timedelta64(120, "s") * pose
                            + np.timedelta64(20 * (side == "right"), "s"))
    return [seen[key] for key in sorted(seen)]


def sheet_of(run, headers=None, delimiter=",", decimal="."):
    """Readings by hand."""
    names = headers or run.rig.reading_names
    lines = [delimiter.join(("pose", *names))]
    for pose, row in zip(run.poses.ids, np.degrees(run.poses.readings), strict=True):
        lines.append(delimiter.join((pose, *(f"{v:.3f}".replace(".", decimal) for v in row))))
    return "\n".join(lines) + "\n"


def log_of(run, stamp, head, delimiter=";", decimal=","):
    """A log at one row a second; the machine moves between the poses."""
    lines = [head]
    readings = np.degrees(run.poses.readings)
    for second in range(-60, 120 * len(readings)):
        pose = min(max((second + 30) // 120, 0), len(readings) - 1)
        part = np.clip(((second + 30) % 120) / 20.0, 0, 1) if second >= 0 and pose else 1.0
        row = readings[pose] * part + readings[max(pose - 1, 0)] * (1 - part)
        cells = [f"{v:.3f}".replace(".", decimal) for v in row]
        lines.append(delimiter.join((stamp(START + np.timedelta64(second, "s")), *cells)))
    return "\n".join(lines) + "\n"


def layouts(run):
    """All six."""
    shots = shots_of(run)
    return [_total_station(run, shots), _rover(run, shots), _landxml(run, shots),
            _date_and_time(run, shots), _raw(run, shots), _feet(run, shots)]


def _total_station(run, shots):
    lines = ["Point,Easting,Northing,Elevation,Description"]
    lines += [f"{101 + i},{e:.4f},{n:.4f},{u:.4f},P{pose} {side}"
              for i, (pose, side, (e, n, u), _) in enumerate(shots)]
    return Layout("total station, description names pose and corner",
                  {"job.csv": "\n".join(lines) + "\n", "readings.csv": sheet_of(run)})


def _rover(run, shots):
    moved = (412_000.0, 5_650_000.0, 0.0)
    lines = ["Punktnummer;Rechtswert;Hochwert;Höhe;Lagegenauigkeit;Höhengenauigkeit;Code"]
    for pose, side, at, _ in shots:
        e, n, u = at + moved
        word = {"left": "links", "right": "rechts"}[side]
        lines.append(f"{pose}-{word};{e:.4f};{n:.4f};{u:.4f};0.011;0.018;KANTE".replace(".", ","))
    return Layout("rover, German headings, on a map grid",
                  {"rover.csv": "\n".join(lines) + "\n",
                   "Ablesung.csv": sheet_of(run, delimiter=";", decimal=",")},
                  ("--factor", "1.0"), moved)


def _landxml(run, shots):
    points = "\n".join(f'<CgPoint name="{201 + i}" desc="P{pose} {side[0].upper()}">'
                       f"{n:.4f} {e:.4f} {u:.4f}</CgPoint>"
                       for i, (pose, side, (e, n, u), _) in enumerate(shots))
    return Layout("LandXML, pose and corner in desc", {
        "job.xml": '<?xml version="1.0"?>\n<LandXML xmlns="http://www.landxml.org/schema/'
        'LandXML-1.2"><Units><Metric linearUnit="meter"/></Units><CgPoints>\n' + points
        + "\n</CgPoints></LandXML>\n", "readings.csv": sheet_of(run)})


def _date_and_time(run, shots):
    def german(when):
        date, time = str(when).split("T")
        year, month, day = date.split("-")
        return f"{day}.{month}.{year} {time}"

    lines = ["Name;Ost (m);Nord (m);Höhe (m);Datum;Uhrzeit"]
    for pose, side, (e, n, u), when in shots:
        lines.append(f"{pose}{'li' if side == 'left' else 're'};{e:.4f};{n:.4f};{u:.4f};"
                     .replace(".", ",") + german(when).replace(" ", ";"))
    head = ";".join(("Zeitstempel", *GERMAN))
    # The log's own clock is the crew's, its stamps name no zone.
    return Layout("date and time apart, a log with German headings",
                  {"punkte.csv": "\n".join(lines) + "\n", "log.csv": log_of(run, german, head)},
                  tolerance=1e-4)


def _raw(run, shots):
    lines = ["Station,Point,Hz,V angle,Slope dist,Prism height"]

    def sight(name, at, height):
        for face in (1, 2):
            arm = at + np.array([0, 0, height]) - STATION
            across = np.hypot(arm[0], arm[1])
            direction = np.mod(np.arctan2(arm[0], arm[1]) - TURN + (face - 1) * np.pi, 2 * np.pi)
            zenith = np.arctan2(across, arm[2])
            zenith = zenith if face == 1 else 2 * np.pi - zenith
            gon = np.array([direction, zenith]) * 200 / np.pi
            lines.append(f"S1,{name},{gon[0]:.5f},{gon[1]:.5f},{np.linalg.norm(arm):.4f},"
                         f"{height:.3f}")

    for name, at in KNOWN.items():
        sight(name, at, 1.5)
    for pose, side, at, _ in shots:
        sight(f"{pose}-{side[0].upper()}", at + np.array([900.0, 4900.0, 0.0]), 0.1)
    known = "point,east,north,up\n" + "".join(
        f"{n},{e},{north},{u}\n" for n, (e, north, u) in KNOWN.items())
    return Layout("raw directions, V angle, slope distances, in gon",
                  {"raw.csv": "\n".join(lines) + "\n", "control.csv": known,
                   "readings.csv": sheet_of(run)},
                  ("--instrument", "5 arcsec, 2 mm + 2 ppm"), (900.0, 4900.0, 0.0), 1e-3)


def _feet(run, shots):
    lines = ["Nr;Ost (ft);Nord (ft);Höhe (ft);Bemerkung"]
    for pose, side, at, _ in shots:
        e, n, u = at / 0.3048
        lines.append(f"{pose}{side[0].upper()};{e:.4f};{n:.4f};{u:.4f};Löffelkante"
                     .replace(".", ","))
    return Layout("semicolons and decimal commas, feet",
                  {"punkte.csv": "\n".join(lines) + "\n", "readings.csv": sheet_of(run)})
