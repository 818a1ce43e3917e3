from specmatch.models.applicability import Applicability as Applicability
from specmatch.models.beer_matcher import BeerMatcher as BeerMatcher
from specmatch.models.colour_regressor import ColourRegressor as ColourRegressor
from specmatch.models.preprocessing import Absorbance as Absorbance
from specmatch.models.preprocessing import MultiplicativeScatterCorrection as MultiplicativeScatterCorrection
from specmatch.models.preprocessing import SavitzkyGolay as SavitzkyGolay
from specmatch.models.preprocessing import SavitzkyGolayDerivative as SavitzkyGolayDerivative
from specmatch.models.preprocessing import StandardNormalVariate as StandardNormalVariate

__all__: list[str]
