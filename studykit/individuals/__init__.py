"""The room of single people: whose change was more than error, and do people respond differently?"""

from studykit.individuals.of_study import for_whom
from studykit.individuals.regression import RegressionToTheMean
from studykit.individuals.responders import Responders
from studykit.individuals.response import IndividualResponse
from studykit.individuals.shrunken import SinglePeople

__all__ = ["IndividualResponse", "RegressionToTheMean", "Responders", "SinglePeople", "for_whom"]
