"""What the commands say of the demo and of the kept model of format 1, written out so that two states can be compared.

`python tests/freeze.py FOLDER` writes it with a hash a file; `python tests/freeze.py FOLDER --against OLD` also says
what differs: JSON numbers may differ by 1e-12 of themselves, because a sum taken in another order rounds otherwise.
"""

import argparse
import hashlib
import json
import math
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
COMMANDS = {
    "measure_year": "measure demo/year",
    "measure_shift": "measure demo/shift",
    "build": "build demo/year --out made/set",
    "audit": "audit demo/set",
    "fit": "fit demo/set --out made/house.model",
    "read": "read made/house.model demo/shift",
    "verify": "verify made/house.model demo/shift",
    "verify_claim": "verify made/house.model demo/shift --claim",
    "evaluate": "evaluate demo/set",
    "choose": "choose demo/set",
    "validate": "validate made/house.model demo/year",
    "inspect_set": "inspect demo/set",
    "inspect_model": "inspect made/house.model",
    "report_set": "report demo/set --measured demo/year --out made/set.html",
    "report_model": "report made/house.model --readings demo/shift --out made/model.html",
}
PAGES = ("made/set.html", "made/model.html")
TOLERANCE = 1e-12
# when a set or a model was made, and what its file weighs, are no answers
_PASSING = re.compile(rb"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}[^\"<]*|sha256:[0-9a-f]{12,64}|[0-9a-f]{64}")


def run(folder: Path, line: str, *more: str) -> bytes:
    """Run one command in the folder and return what it printed, its exit code last."""
    command = [sys.executable, "-m", "specmatch", *line.split(), *more]
    done = subprocess.run(command, cwd=folder, capture_output=True)
    return done.stdout + b"exit %d\n" % done.returncode + (done.stderr if done.returncode == 2 else b"")


def kept_model() -> bytes:
    """Return what the kept model of format 1 says of its samples."""
    import pandas as pd

    import specmatch as sm

    kept = json.loads((HERE / "data/models_by_format/format-1.json").read_text(encoding="utf-8"))
    spectra = pd.DataFrame.from_dict(kept["spectra"], orient="index", columns=kept["wavelength_nm"])
    house = sm.HouseModel.load(HERE / "data/models_by_format/format-1.model")
    said = house.verify(spectra, "Amber Lane", scans=pd.Series(kept["scans"]))
    return said.to_json(double_precision=15, indent=1).encode()


def freeze(folder: Path) -> dict[str, str]:
    """Write every output into the folder and return a hash a name."""
    (folder / "made").mkdir(parents=True, exist_ok=True)
    run(folder, "demo --out demo")
    claim = "Amber Lane"
    for name, line in COMMANDS.items():
        more = (claim,) if line.endswith("--claim") else ()
        (folder / f"{name}.json").write_bytes(run(folder, line, *more, "--json"))
    (folder / "format_1.json").write_bytes(kept_model())
    names = [*(f"{name}.json" for name in COMMANDS), "format_1.json", *PAGES]
    found = {name: hashlib.sha256(_PASSING.sub(b"", (folder / name).read_bytes())).hexdigest() for name in names}
    (folder / "hashes.json").write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
    return found


def differences(old: Any, new: Any, where: str = "") -> list[str]:
    """Return the places where two JSON values differ by more than a rounding."""
    if isinstance(old, dict) and isinstance(new, dict):
        lost = [f"{where}/{key}: gone" for key in old if key not in new]
        came = [f"{where}/{key}: new" for key in new if key not in old]
        return lost + came + [d for k in old if k in new for d in differences(old[k], new[k], f"{where}/{k}")]
    if isinstance(old, list) and isinstance(new, list) and len(old) == len(new):
        pairs = enumerate(zip(old, new, strict=True))
        return [d for i, (a, b) in pairs for d in differences(a, b, f"{where}[{i}]")]
    numbers = isinstance(old, (int, float)) and isinstance(new, (int, float)) and not isinstance(old, bool)
    same = math.isclose(old, new, rel_tol=TOLERANCE, abs_tol=TOLERANCE) if numbers else old == new
    return [] if same else [f"{where}: {old!r} -> {new!r}"]


def compare(old: Path, new: Path) -> list[str]:
    """Return what differs between two frozen folders, a line a place."""
    before, after = (json.loads((folder / "hashes.json").read_text()) for folder in (old, new))
    lines = []
    for name in sorted(before.keys() | after.keys()):
        if before.get(name) == after.get(name):
            continue
        texts = [_PASSING.sub(b"", (folder / name).read_bytes()) for folder in (old, new)]
        if name.endswith(".json"):
            values = [json.loads(text.partition(b"exit ")[0] or b"null") for text in texts]
            found = differences(*values)
            lines += [f"{name}{line}" for line in found] or [f"{name}: equal to {TOLERANCE:g}"]
        else:
            lines.append(f"{name}: differs")
    return lines


def main() -> int:
    """Freeze, compare, and say so; exit code 1 where something differs."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--against", type=Path)
    args = parser.parse_args()
    found = freeze(args.folder)
    if args.against is None:
        print(json.dumps(found, indent=1))
        return 0
    lines = compare(args.against, args.folder)
    print("\n".join(lines) or "equal")
    return int(any(not line.endswith(f"equal to {TOLERANCE:g}") for line in lines))


if __name__ == "__main__":
    sys.exit(main())
