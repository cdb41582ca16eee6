"""Every command in a form that ends well, or with a gate that failed, and what it writes."""

import csv
import shutil

LIST = '[[entry]]\nname = "Boom"\nunit = "mm"\nis = "boom_length"\n'
POINTS = "1-left,1.5,2.5,3.5\n1-right,2.5,3.5,4.5\n"
SHEET = "pose,house_pitch,house_roll,boom,stick,coupler,tilt,rotate\n1,0,0,30,-60,10,5,0\n"


def prepare(folder, solved):
    """Two solved runs of one machine, a fleet of one, and the files that the commands read."""
    for name, seed in (("one", 4), ("two", 5)):
        solved(folder / name, "--poses", 12, "--seed", seed)
    shutil.copytree(folder / "one", folder / "many" / "one")
    (folder / "list.toml").write_text(LIST, "utf-8")
    (folder / "points.txt").write_text(POINTS, "utf-8")
    (folder / "sheet.csv").write_text(SHEET, "utf-8")
    (folder / "both.toml").write_text(
        '[[runs]]\nfolder = "one"\nday = "2031-05-04"\n\n'
        '[[runs]]\nfolder = "two"\nday = "2031-05-05"\n', "utf-8")


def lines(folder):
    """The words of every command but `yard`, which goes on until it is stopped."""
    one, two = folder / "one", folder / "two"
    return {
        "simulate": [folder / "three", "--poses", "6"],
        "solve": [one, "--no-report"],
        "demo": [folder / "demo"],
        "rig": ["show", one],
        "new": [folder / "new", "--yes"],
        "plan": [folder / "new", "--poses", "3", "--candidates", "1000"],
        "import": [folder / "points.txt", "--into", folder / "imported", "--order", "PENZ",
                   "--unit", "m", "--frame", "ground", "--pole", "applied",
                   "--ids", "{pose}-{target}", "--target", "left=edge_left",
                   "--target", "right=edge_right", "--sheet", folder / "sheet.csv",
                   "--stand", "here"],
        "diagnose": [one],
        "explore": [one],
        "next": [one, "--candidates", "1000"],
        "check": [one / "result"],
        "report": [one / "result"],
        "sheet": [one / "result"],
        "entries": ["check", folder / "list.toml", one],
        "confirm": [one / "result"],
        "compare": [one / "result", two / "result"],
        "drift": [one / "result", two / "result"],
        "history": [folder],
        "together": [folder / "both.toml", "--no-report"],
        "fleet": [folder / "many", "--processes", "1"],
        "help": ["gate"],
        "schema": [],
    }


def writing(folder):
    """Of every command that writes: its words, and what it writes."""
    one = folder / "one"
    words = lines(folder)
    into = {name: [*words[name], "--out", folder / name] for name in ("compare", "drift")}
    return {
        "simulate": (words["simulate"], folder / "three"),
        "solve": (words["solve"], one / "result"),
        "demo": (words["demo"], folder / "demo" / "result"),
        "new": (words["new"], folder / "new"),
        "plan": ([one, "--poses", "3", "--candidates", "1000"], one / "plan"),
        "import": (words["import"], folder / "imported"),
        "diagnose": ([folder / "mistaken", "--apply", folder / "mended"], folder / "mended"),
        "explore": ([one, "--free", "boom_sag", "--copy", folder / "freed"], folder / "freed"),
        "report": (words["report"], one / "result"),
        "sheet": (words["sheet"], one / "result"),
        "confirm": ([one / "result", folder / "shown.csv", "--out", folder / "told"],
                    folder / "told"),
        "compare": (into["compare"], folder / "compare"),
        "drift": (into["drift"], folder / "drift"),
        "history": (words["history"], folder),
        "together": (words["together"], folder / "both-together"),
        "fleet": (words["fleet"], folder / "many" / "fleet"),
    }


#: Those that write into a new folder only.
NEW = ("simulate", "new", "import", "diagnose", "explore")


def mistake(folder):
    """A run with a mistake that is found, and a filled-in file of what a display shows."""
    run = shutil.copytree(folder / "one", folder / "mistaken", ignore=lambda *_: ["result"])
    with open(run / "readings.csv", encoding="utf-8", newline="") as stream:
        poses = list(csv.DictReader(line for line in stream if not line.startswith("#")))
    with open(run / "readings.csv", "w", encoding="utf-8", newline="") as stream:
        table = csv.DictWriter(stream, poses[0])
        table.writeheader()
        table.writerows(p | {"coupler": -float(p["coupler"])} for p in poses)
    sensors = [name for name in poses[0] if name not in ("pose", "stand")]
    (folder / "shown.csv").write_text("\n".join(
        [",".join(("pose", "target", "forward", "left", "up", *sensors)),
         *(",".join((p["pose"], "edge_left", "8.1", "0.4", "-0.3", *(p[s] for s in sensors)))
           for p in poses[:6])]) + "\n", "utf-8")
