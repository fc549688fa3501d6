"""Which rows the FHIR facade reads, with version and moment of the last change; a client of one site is shown that site's alone."""

from typing import Any

from django.apps import apps
from django.db.models import Case, Count, Exists, F, Max, OuterRef, QuerySet, Subquery, When
from django.db.models.functions import Coalesce

from results.models import Booking, Examination, Referral, ReferralMove, Result, Sample, SampleMove
from staff.models import User

NUMBERS = "person__identifiers"
THEIR_NUMBERS = "referral__person__identifiers"


def samples_read(by: User) -> QuerySet[Any]:
    """Samples; to a laboratory those measured there."""
    last = SampleMove.objects.filter(subject=OuterRef("pk"), seq=OuterRef("last_seq"))
    rows: QuerySet[Any] = Sample.objects.select_related("person", "return_of").prefetch_related(NUMBERS).annotate(
        updated=Subquery(last.values("recorded_at")), reason=Subquery(last.values("reason")),
    )  # fmt: skip
    ids = by.site_ids
    here = Sample.objects.filter(readings__run__analyser__site_id__in=ids or ())
    return rows if ids is None else rows.filter(pk__in=here.values("pk"))


def results_read(by: User | None) -> QuerySet[Any]:
    """The last version of every sample's result, also a withdrawn one; to a laboratory those measured there.

    None is the system itself, which is posted nowhere and reads everything.
    """
    newer = Result.objects.filter(sample=OuterRef("sample"), version__gt=OuterRef("version"))
    gone = SampleMove.objects.filter(subject=OuterRef("sample"), event="withdraw").order_by("-seq")
    rows: QuerySet[Any] = (
        Result.objects.filter(~Exists(newer))
        .select_related("person", "sample__return_of", "run__analyser__site")
        .prefetch_related(NUMBERS)
        .annotate(
            updated=Case(
                When(is_current=True, then=F("authorised_at")),
                default=Coalesce(Subquery(gone.values("recorded_at")[:1]), F("authorised_at")),
            )
        )
    )
    ids = by.site_ids if by else None
    return rows if ids is None else rows.filter(run__analyser__site_id__in=ids)


def referrals_read(by: User) -> QuerySet[Any]:
    """Referrals; to a unit those with a booking there."""
    last = ReferralMove.objects.filter(subject=OuterRef("pk"), seq=OuterRef("last_seq"))
    rows: QuerySet[Any] = (
        Referral.objects.select_related("person")
        .prefetch_related(NUMBERS, "calls__result")
        .annotate(updated=Subquery(last.values("recorded_at")))
    )
    ids = by.site_ids
    booked = Booking.objects.filter(site_id__in=ids or ())
    return rows if ids is None else rows.filter(pk__in=booked.values("referral_id"))


def bookings_read(by: User) -> QuerySet[Any]:
    """Booked days; to a unit its own."""
    history = apps.get_model("results", "BookingHistory").objects.filter(pgh_obj=OuterRef("pk")).order_by().values("pgh_obj")  # fmt: skip
    made = ReferralMove.objects.filter(
        subject=OuterRef("referral"), event="book", recorded_at__date=OuterRef("made_on")
    ).order_by("-seq")
    rows: QuerySet[Any] = (
        Booking.objects.select_related("site", "referral__person", "place__list")
        .prefetch_related(THEIR_NUMBERS)
        .annotate(
            version=Coalesce(Subquery(history.annotate(n=Count("pk")).values("n")), 0) + 1,
            updated=Coalesce(
                Subquery(history.annotate(at=Max("pgh_created_at")).values("at")),
                Subquery(made.values("recorded_at")[:1]),
            ),
        )
    )
    return rows if by.site_ids is None else rows.filter(site_id__in=by.site_ids)


REPORTS = ("examined", "report", "report_specimen", "histology")


def examinations_read(by: User) -> QuerySet[Any]:
    """Examinations; to a unit its own."""
    told = ReferralMove.objects.filter(subject=OuterRef("referral"), event__in=REPORTS).order_by("-seq")
    rows: QuerySet[Any] = (
        Examination.objects.select_related("site", "referral__person")
        .prefetch_related(THEIR_NUMBERS, "events", "referral__calls__result")
        .annotate(updated=Subquery(told.values("recorded_at")[:1]))
    )
    return rows if by.site_ids is None else rows.filter(site_id__in=by.site_ids)
