"""The analyst's questions: how the cohort moves, what holds it up, are the pass marks right."""

from forecast.cohort.audit import CriterionAudit, criterion_audit
from forecast.cohort.curves import (
    LapseIncidence,
    TimeToClear,
    lapse_incidence,
    time_to_clear,
    weeks_of_others,
)
from forecast.cohort.records import as_histories, spell_times
from forecast.cohort.regressions import (
    CovariateEffects,
    LapseHazard,
    clustered_cox,
    covariate_effects,
    hazard_of,
    lapse_chance,
    lapse_hazard,
)
from forecast.cohort.rungs import Bottlenecks, PaceAndDifficulty, bottlenecks, pace_and_difficulty

__all__ = [
    "Bottlenecks", "CovariateEffects", "CriterionAudit", "LapseHazard", "LapseIncidence",
    "PaceAndDifficulty", "TimeToClear", "as_histories", "bottlenecks", "clustered_cox",
    "covariate_effects", "criterion_audit", "hazard_of", "lapse_chance", "lapse_hazard",
    "lapse_incidence", "pace_and_difficulty", "spell_times", "time_to_clear", "weeks_of_others",
]  # fmt: skip
