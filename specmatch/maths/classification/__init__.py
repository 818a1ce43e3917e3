"""Which known class a spectrum may belong to: space, class models, calibration, what they can tell apart."""
