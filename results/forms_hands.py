"""The forms of many hands: levelling, sharing out by area, absences and hand-overs for leave."""

from datetime import date
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from results.forms_referral import day_field, words_field
from results.models import Referral
from results.referral_hands import followers, here_on
from results.referral_queue import open_referrals
from results.services.referrals_hands import AT_MOST
from staff.models import User


class HandsForm(forms.Form):
    """What they have in common: the day it is."""

    def __init__(self, *args: Any, today: date, **kwargs: Any) -> None:
        self.today = today
        super().__init__(*args, **kwargs)
        self.use_required_attribute = False


class LevelForm(HandsForm):
    """So many from one colleague to another."""

    holder = forms.ModelChoiceField(label=_("From"), queryset=User.objects.none(), empty_label=_("choose"))
    to = forms.ModelChoiceField(label=_("To"), queryset=User.objects.none(), empty_label=_("choose"))
    count = forms.IntegerField(
        label=_("How many"), min_value=1, max_value=AT_MOST,
        help_text=_("Those least far on the way go first: they have hardly met anybody yet."),
    )  # fmt: skip

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["holder"].queryset = followers()  # type: ignore[attr-defined]
        self.fields["to"].queryset = here_on(self.today)  # type: ignore[attr-defined]


class AreaForm(HandsForm):
    """What nobody holds in one area, to one or spread over all."""

    area = forms.CharField(required=False, max_length=12, widget=forms.HiddenInput)
    to = forms.ModelChoiceField(
        label=_("To"), queryset=User.objects.none(), required=False, empty_label=_("all who are here, evenly")
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["to"].queryset = here_on(self.today)  # type: ignore[attr-defined]


class TakeOverForm(HandsForm):
    """Where everything goes that an absent owner holds."""

    where = forms.ChoiceField(
        label=_("Where they go"),
        choices=[
            ("spread", _("to the coordinators who are here, evenly")),
            ("pool", _("to everybody: whoever claims one holds it")),
            ("to", _("to one colleague")),
        ],
        widget=forms.RadioSelect,
        initial="spread",
        error_messages={"required": _("Choose where they go.")},
    )
    to = forms.ModelChoiceField(
        label=_("Colleague"), queryset=User.objects.none(), required=False, empty_label=_("choose")
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["to"].queryset = here_on(self.today)  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        """One colleague must be named."""
        data = super().clean() or {}
        if data.get("where") == "to" and not data.get("to"):
            self.add_error("to", _("Choose the colleague."))
        return data


class AbsenceForm(HandsForm):
    """Somebody is away unexpectedly."""

    user = forms.ModelChoiceField(label=_("Who"), queryset=User.objects.none(), empty_label=_("choose"))
    until = day_field(
        label=_("Last day away"), required=False, help_text=_("Leave it empty while nobody knows.")
    )
    note = forms.CharField(
        label=_("Note"), max_length=200, required=False, help_text=_("Everybody reads it: no health details.")
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["user"].queryset = here_on(self.today)  # type: ignore[attr-defined]


class HandOverForm(HandsForm):
    """Leave from a day to a day, and who follows meanwhile."""

    to = forms.ModelChoiceField(
        label=_("Deputy"), queryset=User.objects.none(), required=False,
        empty_label=_("everybody: whoever claims one holds it"),
    )  # fmt: skip
    since = day_field(label=_("First day away"))
    until = day_field(label=_("Last day away"))
    note = words_field(label=_("For the deputy"), required=False)
    which = forms.ChoiceField(
        label=_("What goes"),
        choices=[("all", _("everything held on the first day")), ("chosen", _("only those ticked below"))],
        widget=forms.RadioSelect,
        initial="all",
    )
    chosen = forms.ModelMultipleChoiceField(
        queryset=Referral.objects.none(), required=False, widget=forms.MultipleHiddenInput
    )

    def __init__(self, *args: Any, holder: User, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["to"].queryset = followers().exclude(pk=holder.pk)  # type: ignore[attr-defined]
        self.fields["chosen"].queryset = open_referrals().filter(owner=holder)  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        """Days in order; something ticked when only the ticked go."""
        data = super().clean() or {}
        since, until = data.get("since"), data.get("until")
        if since and until and until < since:
            self.add_error("until", _("The last day away lies before the first. Change one of them."))
        if data.get("which") == "chosen" and not data.get("chosen"):
            self.add_error("which", _("Tick at least one referral below, or hand over everything."))
        return data
