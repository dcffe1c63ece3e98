"""The criterion audit: margins at moving on, order of the rungs, athletes who had to go back."""

from forecast.cohort.audit.criterion_audit import CriterionAudit, criterion_audit

__all__ = ["CriterionAudit", "criterion_audit"]
