from specmatch.report.plots.colour import plot_colour_error as plot_colour_error
from specmatch.report.plots.colour import plot_colour_over_time as plot_colour_over_time
from specmatch.report.plots.colour import plot_coverage as plot_coverage
from specmatch.report.plots.colour import plot_held_out_colour as plot_held_out_colour
from specmatch.report.plots.colour import plot_learning_curve as plot_learning_curve
from specmatch.report.plots.identity import plot_departure as plot_departure
from specmatch.report.plots.identity import plot_identity_map as plot_identity_map
from specmatch.report.plots.identity import plot_mix_ups as plot_mix_ups
from specmatch.report.plots.identity import plot_nearest_batches as plot_nearest_batches
from specmatch.report.plots.spectra import plot_reference_history as plot_reference_history
from specmatch.report.plots.spectra import plot_spectra as plot_spectra
from specmatch.report.plots.spectra import plot_usable_band as plot_usable_band
from specmatch.report.plots.studies import plot_budget as plot_budget
from specmatch.report.plots.studies import plot_commissioning as plot_commissioning
from specmatch.report.plots.studies import plot_control_chart as plot_control_chart
from specmatch.report.plots.studies import plot_gauge_components as plot_gauge_components
from specmatch.report.plots.studies import plot_gauge_interaction as plot_gauge_interaction
from specmatch.report.plots.studies import plot_gauge_run as plot_gauge_run
from specmatch.report.plots.studies import plot_plan_beers as plot_plan_beers
from specmatch.report.plots.studies import plot_plan_curves as plot_plan_curves
from specmatch.report.plots.studies import plot_plan_line as plot_plan_line

__all__: list[str]
