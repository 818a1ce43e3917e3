"""Faults to plant in a draw: what goes wrong at a bench, by kind and size."""

from dataclasses import dataclass

KINDS = {
    "path": "relative: +0.2 is a fifth more liquid on the way",
    "foam": "share of the surface covered",
    "haze": "scattering, 1/cm",
    "lamp": "relative: -0.1 is a tenth less light than at the reference",
    "shift": "nm that the axis has moved since the reference",
    "ambient": "share of the reference's mean light, of a warm lamp in the room",
    "stray": "share of the mean light that is spread over all pixels since the reference",
}


@dataclass(frozen=True)
class Fault:
    """A fault of a kind of `KINDS` and a size in its terms, in one pour (the last) or `all` pours of a batch."""

    kind: str
    size: float
    pours: str = "one"

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"kind: got {self.kind!r}, expected one of {', '.join(KINDS)}")
        if self.pours not in ("one", "all"):
            raise ValueError(f"pours: got {self.pours!r}, expected 'one' or 'all'")
