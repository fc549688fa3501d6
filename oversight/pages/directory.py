"""Which pages there are, in their order, and what builds each."""

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from django.utils.translation import gettext_lazy as _

from oversight.filters import Asked
from oversight.pages import cancers, equity, flow, main, positivity, quality, service
from oversight.pages.parts import Shown

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

PAGES: "Mapping[str, tuple[StrOrPromise, Callable[[Asked], Shown]]]" = {
    "overview": (_("Overview"), main.overview),
    "uptake": (_("Uptake"), main.uptake),
    "positivity": (_("Positivity"), positivity.positivity),
    "follow-up": (_("Follow-up"), main.follow_up),
    "yield": (_("Yield"), main.yields),
    "cancers": (_("Cancers"), cancers.cancers),
    "harm": (_("Harm"), main.harm),
    "laboratory": (_("Laboratory service"), main.laboratory),
    "service": (_("Service and cost"), service.service),
    "equity": (_("Equity"), equity.equity),
    "quality": (_("Data quality"), quality.quality),
    "waiting": (_("Waiting"), flow.waiting),
    "flow": (_("Where are they now?"), flow.flow),
}
"""Page by its place in the address."""
