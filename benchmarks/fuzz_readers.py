"""Coverage-guided attacks on a reader (tests/run/fuzzed.py says what must hold).

    pip install -e ".[fuzz]"
    python benchmarks/fuzz_readers.py READER FOLDER [SECONDS] [KEEP]

READER: text, numeral, time, landxml or toml. What reaches new code is gathered in FOLDER; the first
input at fault is printed and left there. KEEP: the corpus file that the tests replay, written anew
from what was gathered.
"""

import base64
import sys
from pathlib import Path

import atheris

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
with atheris.instrument_imports(include=["calib"]):
    from tests.run.fuzzed import READERS, SEEDS

_MOST, _LONGEST = 200, 400


def main(reader, folder, seconds="600", keep=None):
    """Attack, a second at most for each input."""
    place = Path(folder)
    place.mkdir(parents=True, exist_ok=True)
    for number, seed in enumerate(SEEDS[reader]):
        (place / f"seed{number}").write_bytes(seed.encode())
    if keep is not None:
        small = sorted((p.read_bytes() for p in place.iterdir()
                        if p.stat().st_size <= _LONGEST), key=lambda d: (len(d), d))
        step = max(len(small) // _MOST, 1)
        Path(keep).write_bytes(b"\n".join(map(base64.b64encode, small[::step][:_MOST])) + b"\n")
        return
    atheris.Setup([sys.argv[0], str(place), f"-max_total_time={seconds}", "-timeout=1",
                   "-max_len=4096", f"-artifact_prefix={place}/fault-", "-print_final_stats=1"],
                  READERS[reader])
    atheris.Fuzz()


if __name__ == "__main__":
    main(*sys.argv[1:])
