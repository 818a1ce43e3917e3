"""Commissioning tried on the modules of the invented houses: planted faults found, good modules left in peace.

`python -m benchmarks.commissioning` prints shares over the members of `SHOWN` (`--members`, `--seeds`, `--json`). A
module is a member's own lamp, slit, pixels, light and noise; its stray light is set to 0.05 % and its axis to no error,
and then one fault is planted. Filters and lamps have the published lines, each off by a draw of its stated uncertainty,
and widths and strengths of their own.
"""

import argparse
import json
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

import specmatch as sm
from benchmarks.houses import members
from benchmarks.houses.members import SHOWN
from benchmarks.houses.modules import FINE_NM, FULL_SCALE, Module, ModuleSpec
from specmatch.measurement.commissioning.figures import GLASSES, LINES

Floats = NDArray[np.float64]

TOP_MS = 20.0
LADDER_MS = (4.0, 8.0, 12.0, 16.0, 20.0)
GOOD_STRAY = 0.0005
FILTER_EDGE_NM, CUT_NM = 6.0, 550.0


@dataclass(frozen=True)
class Planted:
    """What is wrong with a module: the axis, the response at full scale, stray light, and the lamp an hour."""

    axis_nm: float = 0.0
    nonlinear: float = 0.0
    stray: float = 0.0
    drift_an_hour: float = 0.0


# fault -> what is planted, and the figure that is to find it
FAULTS = {
    "none": (Planted(), ""),
    "shift 0.3 nm": (Planted(axis_nm=0.3), "axis_shift_nm"),
    "non-linearity 1 %": (Planted(nonlinear=0.01), "nonlinearity"),
    "stray light 0.3 %": (Planted(stray=0.003), "stray_light"),
    "drift 2 % an hour": (Planted(drift_an_hour=0.02), "level_drift"),
}


class BenchDay:
    """A commissioning of one module, scan by scan."""

    def __init__(self, spec: ModuleSpec, planted: Planted, seed: int) -> None:
        self.rng = np.random.default_rng([seed, 23])
        stray = planted.stray or GOOD_STRAY
        self.spec = replace(spec, axis_nm=planted.axis_nm, stray=stray)
        self.module = Module(self.spec, self.rng)
        self.planted = planted
        zero = np.zeros(1)
        self.lamp = self.module.lamp * 0.8 * FULL_SCALE / self.module.light(self.module.lamp[None], zero).max()
        self.rows: list[dict[str, object]] = []
        self.counts: list[Floats] = []
        self.minutes = 0.0

    def run(self, *, glass: str = "holmium glass", lamp: str = "mercury lamp") -> "BenchDay":
        """Scan everything that the bench sheet asks for, with one glass and one lamp; `""` for none."""
        for ms in LADDER_MS:
            self._take("dark", "", 0.0 * self.lamp, 5, ms=ms)
        self._take("reference", "", self.lamp, 5)
        if glass:
            self._take("check", glass, self.lamp * self._glass(glass), 5)
        if lamp:
            self._take("check", lamp, self._lines(lamp), 5)
        for ms in LADDER_MS:
            self._take("check", "integration ladder", self.lamp, 3, ms=ms)
        edge = 0.9 / (1.0 + np.exp(-(FINE_NM - CUT_NM) / FILTER_EDGE_NM))
        self._take("check", f"cut-off filter {CUT_NM:.0f}", self.lamp * edge, 3)
        self._take("check", "opaque cup", 0.0 * self.lamp, 3)
        absorbance = 0.9 * np.exp(-(FINE_NM - 430.0) / 80.0)
        for share in (1.0, 0.75, 0.5, 0.25):
            for _ in range(3):
                path = share * (1.0 + 0.01 * self.rng.standard_normal())
                self._take("check", f"dilution {share:g}", self.lamp * 10.0 ** (-absorbance * path), 1)
        self._take("check", "empty cup", 1.04 * self.lamp, 10, level_sd=0.002)
        self._take("check", "refilled water", self.lamp, 10, level_sd=0.004)
        self._take("check", "steady light", self.lamp, 13, every_min=5.0)
        self._take("dark", "", 0.0 * self.lamp, 5, ms=TOP_MS)
        return self

    def write(self, folder: Path) -> Path:
        """Write the scans as a measured folder."""
        folder.mkdir(parents=True, exist_ok=True)
        pd.DataFrame(self.rows).to_csv(folder / "scans.csv", index=False)
        for row, counts in zip(self.rows, self.counts, strict=True):
            lines = [f"{x:.3f},{y:.1f}" for x, y in zip(self.module.nm, counts, strict=True)]
            (folder / str(row["file"])).write_text("\n".join(["wavelength_nm,counts", *lines]) + "\n", encoding="utf-8")
        return folder

    def _take(
        self, role: str, material: str, light: Floats, n: int, *, ms: float = TOP_MS, every_min: float = 0.25,
        level_sd: float = 0.0,
    ) -> None:  # fmt: skip
        start = datetime.fromisoformat("2031-03-03T08:00:00+00:00")
        for _ in range(n):
            self.minutes += every_min
            level = 1.0 + self.spec.drift / 4.0 * self.rng.standard_normal() + level_sd * self.rng.standard_normal()
            level *= 1.0 - self.planted.drift_an_hour * self.minutes / 60.0
            shift = np.array([self.spec.jitter_nm * self.rng.standard_normal()])
            seen = self.module.light(light[None], shift) * level * ms / TOP_MS
            seen = seen * (1.0 - self.planted.nonlinear * seen / FULL_SCALE)
            self.counts.append(self.module.counts(seen, self.rng)[0])
            self.rows.append(
                {
                    "file": f"scan{len(self.rows):03d}.csv",
                    "role": role,
                    "material": material,
                    "integration_ms": ms,
                    "measured_at": (start + timedelta(minutes=self.minutes)).isoformat(),
                    "instrument": "unit-own",
                    "reference_kind": "water",
                }
            )

    def _glass(self, name: str) -> Floats:
        absorbance = np.zeros(FINE_NM.size)
        for line in LINES[name]:
            at = line.nm + line.sd_nm * self.rng.standard_normal()
            sigma = line.width_nm * self.rng.uniform(0.75, 1.3) / 2.3548
            absorbance += self.rng.uniform(0.25, 0.9) * np.exp(-(((FINE_NM - at) / sigma) ** 2) / 2.0)
        glass: Floats = 0.9 * (1.0 - 3e-4 * (FINE_NM - 550.0)) * np.exp(-absorbance)
        return glass

    def _lines(self, name: str) -> Floats:
        light = np.zeros(FINE_NM.size)
        step = FINE_NM[1] - FINE_NM[0]
        for line in LINES[name]:
            at = line.nm + line.sd_nm * self.rng.standard_normal()
            strength = self.rng.uniform(0.3, 1.0)
            if line.width_nm:
                sigma = line.width_nm / 2.3548
                light += strength * np.exp(-(((FINE_NM - at) / sigma) ** 2) / 2.0) * step / sigma / 2.5066
            else:
                # between two points of the fine axis, so that its centre is kept
                left = int((at - FINE_NM[0]) // step)
                share = (at - FINE_NM[left]) / step
                light[left : left + 2] += strength * np.array([1.0 - share, share])
        if name not in GLASSES:
            light += 0.01 * np.exp(-(((FINE_NM - 580.0) / 90.0) ** 2) / 2.0)
        seen = self.module.light(light[None], np.zeros(1))
        return light * 0.5 * FULL_SCALE / float(seen.max())


def tried(name: str, seed: int) -> list[dict[str, object]]:
    """Commission one member's module with each fault; a row a fault."""
    rows = []
    for number, (fault, (planted, figure)) in enumerate(FAULTS.items()):
        with tempfile.TemporaryDirectory() as folder:
            day = BenchDay(members()[name].module, planted, seed * len(FAULTS) + number).run()
            found = sm.commission(day.write(Path(folder)))
        state = found.figures["state"]
        own = [figure] if figure else []
        others = state.drop(own)
        rows.append(
            {
                "member": name,
                "seed": seed,
                "fault": fault,
                "beyond": bool(own) and state[figure] == "beyond",
                "near": bool(own) and state[figure] == "near",
                "value": float(found.figures["value"].get(figure, np.nan)),
                "others_beyond": tuple(others.index[others == "beyond"]),
                "others_near": tuple(others.index[others == "near"]),
            }
        )
    return rows


def summary(rows: pd.DataFrame) -> pd.DataFrame:
    """Return a row a fault: pages, share found beyond its limit, beyond or near, worst member; false alarms."""
    parts = []
    for fault, part in rows.groupby("fault", sort=False):
        of_member = part.groupby("member")["beyond"].mean()
        parts.append(
            {
                "fault": fault,
                "pages": len(part),
                "beyond": part["beyond"].mean(),
                "beyond or near": (part["beyond"] | part["near"]).mean(),
                "worst member": f"{of_member.idxmin()} {of_member.min():.2f}",
                "other figures beyond, share of pages": (part["others_beyond"].str.len() > 0).mean(),
                "other figures near, share of pages": (part["others_near"].str.len() > 0).mean(),
            }
        )
    return pd.DataFrame(parts).set_index("fault")


def main(argv: Sequence[str] | None = None) -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.commissioning", description=__doc__.split("\n")[0])
    parser.add_argument("--members", nargs="+", default=list(SHOWN), choices=list(members()), metavar="NAME")
    parser.add_argument("--seeds", type=int, default=5)
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args(argv)
    rows = pd.DataFrame([row for name in args.members for seed in range(args.seeds) for row in tried(name, seed)])
    found = summary(rows)
    if args.json:
        print(json.dumps({"summary": found.reset_index().to_dict("records"), "pages": rows.to_dict("records")}))
        return
    print(found.round(3).to_string())
    for column in ("others_beyond", "others_near"):
        print(column, rows[column].explode().value_counts().to_dict())


if __name__ == "__main__":
    main()
