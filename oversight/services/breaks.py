"""Finds the days on which a figure changed its meaning: a new cutoff or a new kit model (R13)."""

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy as _

from results.models import CutoffRule
from screening.models import KitModel

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise


@dataclass(frozen=True, slots=True)
class Break:
    """One change of definition and the day it came into force."""

    day: date
    words: "StrOrPromise"

    @property
    def month(self) -> str:
        """The key of its month."""
        return self.day.replace(day=1).isoformat()


def breaks_between(since: date, until: date) -> list[Break]:
    """Cutoff rules and kit models that came into force after the first and up to the last day, in order."""
    found = [
        Break(
            rule.valid.lower, format_lazy(_("cutoff {value} µg/g"), value=f"{rule.cutoff_ug_g.normalize():f}")
        )
        for rule in CutoffRule.objects.filter(approved_by__isnull=False)
        if rule.valid.lower and since < rule.valid.lower <= until
    ]
    found += [
        Break(model.valid_from, format_lazy(_("kit model {name}"), name=str(model)))
        for model in KitModel.objects.filter(valid_from__gt=since, valid_from__lte=until)
    ]
    return sorted(found, key=lambda one: one.day)
