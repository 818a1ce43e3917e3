from specmatch.colour.double_pass import DoublePassFit as DoublePassFit
from specmatch.colour.double_pass import fit_double_pass as fit_double_pass
from specmatch.colour.double_pass import path_sd as path_sd
from specmatch.colour.double_pass import routes_disagree as routes_disagree
from specmatch.colour.transmission import CLEAR_RATIO as CLEAR_RATIO
from specmatch.colour.transmission import EBC_PER_ABSORBANCE as EBC_PER_ABSORBANCE
from specmatch.colour.transmission import EBC_PER_SRM as EBC_PER_SRM
from specmatch.colour.transmission import HALF_INCH_CM as HALF_INCH_CM
from specmatch.colour.transmission import SRM_PER_ABSORBANCE as SRM_PER_ABSORBANCE
from specmatch.colour.transmission import TransmissionColour as TransmissionColour
from specmatch.colour.transmission import average_absorbance as average_absorbance
from specmatch.colour.transmission import clear_enough as clear_enough
from specmatch.colour.transmission import colour_from_transmission as colour_from_transmission
from specmatch.colour.transmission import correct_slit_width as correct_slit_width
from specmatch.colour.transmission import ebc_from_absorbance as ebc_from_absorbance
from specmatch.colour.transmission import ebc_from_srm as ebc_from_srm
from specmatch.colour.transmission import srm_from_absorbance as srm_from_absorbance
from specmatch.colour.transmission import srm_from_ebc as srm_from_ebc
from specmatch.colour.tristimulus import Cielab as Cielab
from specmatch.colour.tristimulus import ciede2000 as ciede2000
from specmatch.colour.tristimulus import cielab as cielab
from specmatch.colour.tristimulus import tristimulus_values as tristimulus_values
from specmatch.colour.tristimulus import white_point as white_point

__all__: list[str]
