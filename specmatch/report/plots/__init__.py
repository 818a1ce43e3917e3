"""Figures of sets, models and readings: each takes data and an optional matplotlib axis, and returns the axis.

Nothing is imported from matplotlib until a figure is drawn; without it each raises `MissingExtraError`, which says how
to install it.
"""

from specmatch.report.plots.bench import (
    plot_budget,
    plot_commissioning,
    plot_gauge_components,
    plot_gauge_interaction,
    plot_gauge_run,
)
from specmatch.report.plots.colour import (
    plot_colour_error,
    plot_colour_over_time,
    plot_coverage,
    plot_held_out_colour,
    plot_learning_curve,
)
from specmatch.report.plots.identity import plot_departure, plot_identity_map, plot_mix_ups, plot_nearest_batches
from specmatch.report.plots.plan import plot_control_chart, plot_plan_beers, plot_plan_curves, plot_plan_line
from specmatch.report.plots.spectra import plot_reference_history, plot_spectra, plot_usable_band

__all__ = [
    "plot_budget",
    "plot_colour_error",
    "plot_colour_over_time",
    "plot_commissioning",
    "plot_control_chart",
    "plot_coverage",
    "plot_departure",
    "plot_gauge_components",
    "plot_gauge_interaction",
    "plot_gauge_run",
    "plot_held_out_colour",
    "plot_identity_map",
    "plot_learning_curve",
    "plot_mix_ups",
    "plot_nearest_batches",
    "plot_plan_beers",
    "plot_plan_curves",
    "plot_plan_line",
    "plot_reference_history",
    "plot_spectra",
    "plot_usable_band",
]
