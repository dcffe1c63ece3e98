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
from forecast.cohort.rungs import (
    Bottlenecks,
    PaceAndDifficulty,
    bottlenecks,
    expected_weeks,
    pace_and_difficulty,
)
from forecast.cohort.statistics import (
    as_inference_data,
    draws,
    predictive_check,
    predictive_density,
    prior_sensitivity,
    sensitivity,
)

__all__ = [
    "Bottlenecks", "CovariateEffects", "CriterionAudit", "LapseHazard", "LapseIncidence",
    "PaceAndDifficulty", "TimeToClear", "as_histories", "as_inference_data", "bottlenecks",
    "clustered_cox", "covariate_effects", "criterion_audit", "draws", "expected_weeks",
    "hazard_of", "lapse_chance", "lapse_hazard", "lapse_incidence", "pace_and_difficulty",
    "predictive_check", "predictive_density", "prior_sensitivity", "sensitivity", "spell_times",
    "time_to_clear", "weeks_of_others",
]  # fmt: skip
