"""How a set is tended over years: dates, what its history forbids, what a new folder brings."""
