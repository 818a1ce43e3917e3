"""What classes and fields of a model file were called before, so that renaming one breaks no saved model.

A name that is changed in the code gets a row here, and the row stays for ever. A field that came later and can be told
for an older model stands in `ADDED` with what it was before anybody recorded it.
"""

from typing import Any

import numpy as np

from specmatch.maths.regression.rows_and_responses import LOG

CLASSES = {
    # format 1
    "ColourCautions": "ColourWarnings",
    "ColourFit": "ColourModel",
    "DomainFit": "ApplicabilityDomain",
    "FaultFit": "FaultModel",
    "LightNoise": "ChannelNoise",
    "Metric": "DiscriminantSpace",
    "MetricChoice": "SpaceSettings",
    "NaturalScatter": "NormalVariation",
    "Offered": "Validity",
    "Residual": "QResidual",
    "Samples": "LabelledSamples",
    "Scale": "LogAbsorbance",
    "Tail": "TailCorrection",
    "TypicalityFit": "ClassModel",
}
# (class as it is called now, field as it was called): field as it is called now
FIELDS: dict[tuple[str, str], str] = {}
# (class as it is called now, field): its value in a model that was saved before it came
ADDED: dict[tuple[str, str], Any] = {
    ("Conditions", "instrument"): (),
    ("Conditions", "lamp"): (),
    ("Conditions", "base"): (),
    ("ColourWarnings", "transfer_sd"): 0.0,
    ("FittedHouse", "pours"): None,
    ("FittedHouse", "modules"): (),
    ("SecondModule", "pours"): None,
    ("ColourModel", "labs"): None,
    ("ColourModel", "response"): LOG,
    ("ColourModel", "snv"): None,
    ("PlsRegression", "response"): LOG,
    ("PlsRegression", "rows"): None,
    ("ProcessRegression", "rows"): None,
    ("FittedHouse", "depth"): None,
    ("FittedHouse", "value_name"): "colour",
    ("FittedHouse", "path_law"): None,
    ("PathLaw", "stray"): 0.0,
    ("PathLaw", "bend"): 0.0,
    ("PathLaw", "light"): np.ones(1),
    ("PathLaw", "shape"): np.zeros(1),
    ("FittedHouse", "temperature"): None,
    ("ColourWarnings", "error_of_beer"): None,
    ("ColourWarnings", "session_sd"): None,
    ("ChannelNoise", "misfit"): 0.0,
    ("DiscriminantSpace", "carried"): 0.0,
    ("FaultModel", "bins"): np.zeros(0, np.int64),
    ("FaultModel", "sessions_per_beer"): np.zeros(0, np.int64),
    ("LabelledSamples", "session"): np.zeros(0, np.int64),
    ("NormalVariation", "together"): np.zeros((0, 0)),
    ("Optics", "foam"): 1.2,
    ("Optics", "returned"): 0.0,
    ("Optics", "stray"): 0.0,
    ("SpaceSettings", "session"): np.zeros((0, 0)),
    ("SpaceSettings", "session_noise"): np.zeros(0),
}
