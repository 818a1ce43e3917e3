"""A house as a plan takes it to be by default, for tests."""

from specmatch.house.planning.assumptions import HABITS, beer_list, ground_of, settings_of


def house_of(beers):
    """Return the house of a list of beers in a cup of 40 mm with 10 mL."""
    listed = beer_list(beers, "EBC", 1.0)
    return ground_of(listed, ((40.0, 10.0),), settings_of({}, HABITS, "habit"), {}, None, None, 0.05).house
