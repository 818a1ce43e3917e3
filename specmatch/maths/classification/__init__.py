"""Which of the known classes a spectrum may belong to: space, class models, their calibration, what they can tell apart."""
