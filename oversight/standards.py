"""Standard populations for direct standardisation, ages 50 to 74 in five-year groups; pure."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from django.utils.translation import gettext_lazy as _

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

AGES: Sequence[int] = (50, 55, 60, 65, 70)
DEFAULT_STANDARD = "europe_2013"
STANDARDS: Mapping[str, tuple["StrOrPromise", Sequence[float]]] = {
    "own": (_("own people, all areas together"), ()),
    "europe_2013": (_("European Standard Population 2013 (Eurostat)"), (7000, 6500, 6000, 5500, 5000)),
    "world_2000": (_("WHO World Standard Population 2000–2025"), (5.37, 4.55, 3.72, 2.96, 2.21)),
    "segi": (_("World population of Segi, 1960"), (5000, 4000, 4000, 3000, 2000)),
}
"""Key → name and weights of the five ages, the same for both sexes; `own` takes the people asked about."""
