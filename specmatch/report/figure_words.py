"""What each figure of an evaluation says, in words, for those who did not make it."""

import pandas as pd

FIGURE_WORDS = {
    "n_batches": "batches that were held out",
    "n_beers": "beers",
    "bias": "mean of reading minus lab value, in the colour unit; above 0 it reads too dark",
    "bias_limit": "a bias up to this size may be chance",
    "sep": "standard deviation of reading minus lab value, bias taken off; colour unit",
    "rmsep": "root mean square of reading minus lab value; colour unit",
    "slope": "of lab value on reading; 1 is right",
    "intercept": "of lab value on reading; 0 is right",
    "slope_t": "how far the slope is from 1, in its standard errors",
    "slope_limit": "a slope_t up to this size may be chance",
    "rpd": "standard deviation of the lab values over sep",
    "iqr_over_sep": "middle half of the lab values (quartile to quartile) over sep",
    "r_squared": "1 less the squared errors over the spread of the lab values; 1 is right",
    "relative_error": "root mean square of the error as a share of the lab value",
    "median_relative_half_width": "half an interval as a share of the reading, median",
    "nominal_coverage": "share of lab values that the intervals promise to hold",
    "covered": "share of lab values that they held",
    "one_model_covers_low": "so little may one model of this many batches hold (5th percentile)",
    "one_model_covers_high": "and so much (95th percentile)",
    "nearest_right": "share of batches whose nearest beer is their own",
    "nearest_right_low": "95 % bound of that",
    "stated_false_reject_rate": "share of right claims that may be held",
    "false_hold": "share of right claims that were held, one reading each, no retest",
    "false_hold_high": "95 % bound of that",
    "several_plausible": "share of batches with several plausible beers",
    "n_identity": "batches behind the shares of beers",
    "n_colour": "batches behind the figures of colour",
    "between_batch_sd": "relative standard deviation of colour between batches of a beer",
    "between_pour_sd": "the same between pours of a batch",
    "between_scan_sd": "the same between scans of a pour; blank where each pour has one scan",
    "n_folds": "parts that the batches were dealt into",
    "seed": "fixes those parts",
    "unknown_refused": "share of batches refused by all other beers, their own beer left out of the set",
}


def figures_in_words(figures: pd.Series) -> pd.DataFrame:
    """Set words beside figures.

    Parameters
    ----------
    figures : Series
        From `evaluate`.

    Returns
    -------
    DataFrame
        Index `figure`; columns `value` and `says`, the latter empty where a figure has no words yet.

    Examples
    --------
    >>> figures_in_words(pd.Series({"covered": 0.9}))["says"].item()
    'share of lab values that they held'
    """
    says = [FIGURE_WORDS.get(str(name), "") for name in figures.index]
    return pd.DataFrame({"value": figures.to_numpy(), "says": says}, index=figures.index.rename("figure"))
