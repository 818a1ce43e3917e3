"""Which known class a spectrum may belong to: space, class models, tails of distances, what they can tell apart."""
