"""What a model knows of depth, labs and temperature, in words for a page."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from specmatch.house.fitting.fitted import FittedHouse


def conditions_told(fitted: FittedHouse) -> list[str]:
    """Return sentences on the depth of the set and its law, on its labs, and on what temperature costs."""
    said = ["No filling is recorded: scans are taken to be at the depth of the set, whatever that is."]
    if fitted.depth is not None and fitted.path_law is not None:
        law = fitted.path_law
        said = [
            f"All stands at {fitted.depth.said}; other recorded fillings, up to a factor of two, are brought there. "
            f"Taught by {law.taught_by}" + (f" of {law.n_batches} batches" if law.n_batches else "") + ": glare "
            f"{law.glare:.1%}, light returned {law.returned:.0%} +- {float(np.linalg.norm(law.spread[1])):.0%}, "
            f"stray light {law.stray:.1%}."
        ]
    labs = None if fitted.colour is None else fitted.colour.labs
    if labs is not None and labs.labs:
        others = ", ".join(
            f"{lab} reads {np.expm1(effect):+.1%} +- {2.0 * sd:.1%} against it"
            for lab, effect, sd in zip(labs.labs[1:], labs.effect[1:], labs.sd[1:], strict=True)
        )
        said.append(f"Colours are those of {labs.labs[0]}; {others}.")
    if fitted.temperature is not None:
        cost = fitted.temperature
        said.append(
            f"Ten degrees warmer its scans read {np.expm1(10.0 * cost.per_c):+.1%} +- {20.0 * cost.sd:.1%} "
            f"({cost.n_batches} batches)."
        )
    return said
