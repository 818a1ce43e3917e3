"""The tables of a set: aligned, changed, averaged to pours."""
