"""Dated versions of analysers and kit models: entered by one person, in force by another, earlier ones untouched."""

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal

import pytest
from django.db import DatabaseError, transaction
from django.test import Client
from django.urls import reverse

from results.models import Analyser, AnalyserVersion, KitModelProposal
from results.services.bench import bench_load
from results.services.runs import run_close
from results.services.versions import version_confirm, version_enter
from screening.models import KitModel, Lot
from staff import clock
from staff.errors import RoundbookError
from staff.models import Site
from tests import cast
from tests import lab_bench as bench
from tests.conftest import NOON

pytestmark = pytest.mark.usefixtures("region")
SignIn = Callable[[str], Client]


def an_analyser(**facts: object) -> AnalyserVersion:
    given = {
        "code": "Q1", "site": Analyser.objects.get(code="Q1").site, "name": "Quillport analyser 1", "usual_unit": "ng/mL",
        "positions": 3, "valid_from": clock.today(),
    }  # fmt: skip
    return AnalyserVersion(**(given | facts))


def a_kit_model(**facts: object) -> KitModelProposal:
    given = {
        "name": "Tarn 12", "leaflet": "edition 4", "stool_mg": Decimal(12), "buffer_ml": Decimal("2.4"),
        "lod_ug_g": Decimal(2), "loq_ug_g": Decimal(4), "upper_ug_g": Decimal(200), "sample_age_limit_days": 10,
        "valid_from": clock.today(),
    }  # fmt: skip
    return KitModelProposal(**(given | facts))


def in_force(row: AnalyserVersion | KitModelProposal) -> None:
    version_enter(by=bench.technician(), row=row)
    with pytest.raises(RoundbookError) as refused:
        version_confirm(by=bench.technician(), row=row)
    assert refused.value.code == "second_person"
    version_confirm(by=bench.lead(), row=row)


def test_a_version_of_an_analyser_counts_when_confirmed_and_its_day_has_come() -> None:
    row = an_analyser(valid_from=clock.today() + timedelta(days=2))
    in_force(row)
    assert Analyser.objects.get(code="Q1").positions == 1
    with clock.at(NOON + timedelta(days=2)):
        run = bench.an_open_run()
        assert bench_load(by=bench.technician(), run=run, serial=bench.a_sample().serial, position=3)


def test_a_run_that_is_open_keeps_the_set_up_it_began_with() -> None:
    run = bench.an_open_run()
    in_force(an_analyser())
    assert Analyser.objects.get(code="Q1").positions == 1
    run_close(by=bench.technician(), run=run, readings=bench.controls())
    assert bench.an_open_run().analyser.positions == 3


def test_a_new_code_is_a_new_analyser_only_once_confirmed() -> None:
    row = an_analyser(code="Q9", name="Quillport analyser 9")
    version_enter(by=bench.technician(), row=row)
    assert not Analyser.objects.filter(code="Q9").exists()
    version_confirm(by=bench.lead(), row=row)
    assert Analyser.objects.get(code="Q9").positions == 3
    moved = an_analyser(code="Q9", site=Site.objects.exclude(pk=row.site_id).first())
    version_enter(by=bench.technician(), row=moved)
    with pytest.raises(RoundbookError) as refused:
        version_confirm(by=bench.lead(), row=moved)
    assert refused.value.code == "analyser_elsewhere"


def test_a_kit_model_becomes_its_next_version_and_lots_in_the_book_keep_theirs() -> None:
    lots = dict(Lot.objects.values_list("code", "kit_model"))
    row = a_kit_model()
    in_force(row)
    made = KitModel.objects.get(name="Tarn 12", version=2)
    assert (row.kit_model, made.sample_age_limit_days) == (made, 10)
    assert dict(Lot.objects.values_list("code", "kit_model")) == lots
    with pytest.raises(RoundbookError):
        version_confirm(by=bench.lead(), row=row)


@pytest.mark.parametrize(("facts", "code"), [
    ({"loq_ug_g": Decimal(25)}, "cutoff_not_above_loq"), ({"upper_ug_g": Decimal(20)}, "cutoff_not_under_upper_limit"),
    ({"lod_ug_g": Decimal(9)}, "kit_limits"), ({"stool_mg": Decimal(0)}, "kit_limits"), ({"sample_age_limit_days": 0}, "kit_age"),
])  # fmt: skip
def test_a_kit_model_under_which_the_cutoff_cannot_be_measured_is_refused(
    facts: dict[str, object], code: str
) -> None:
    # Source: job 2.8-7: the cutoff must be above the limit of quantitation.
    with pytest.raises(RoundbookError) as refused:
        version_enter(by=bench.technician(), row=a_kit_model(**facts))
    assert refused.value.code == code


def test_nothing_begins_in_the_past_and_the_database_wants_two_people() -> None:
    with pytest.raises(RoundbookError):
        version_enter(by=bench.technician(), row=an_analyser(valid_from=clock.today() - timedelta(days=1)))
    row = an_analyser()
    version_enter(by=bench.technician(), row=row)
    with pytest.raises(DatabaseError), transaction.atomic():
        AnalyserVersion.objects.update(confirmed_by=bench.technician(), analyser=bench.analyser())
    with pytest.raises(DatabaseError), transaction.atomic():
        AnalyserVersion.objects.update(positions=9)


@pytest.mark.parametrize("kind", ["analyser", "kit-model"])
def test_both_are_entered_and_confirmed_on_their_pages(signed_in: SignIn, kind: str) -> None:
    row = an_analyser() if kind == "analyser" else a_kit_model()
    form = {
        name: str(getattr(row, f"{name}_id" if name == "site" else name))
        for name in ("code", "site", "name", "usual_unit", "positions", "valid_from", "leaflet", "stool_mg", "buffer_ml",
                     "lod_ug_g", "loq_ug_g", "upper_ug_g", "sample_age_limit_days")
        if hasattr(row, name)
    }  # fmt: skip
    client = signed_in(cast.LABORATORY)
    assert client.post(reverse("results:enter", args=[kind]), form).status_code == 302
    made = type(row)._default_manager.get()
    client.post(reverse("results:confirm", args=[kind, made.pk]))
    made.refresh_from_db()
    assert made.confirmed_by is None, "not by the person who entered it"
    signed_in(cast.LAB_LEAD).post(reverse("results:confirm", args=[kind, made.pk]))
    made.refresh_from_db()
    assert made.confirmed_by == bench.lead()
    assert str(made) in client.get(reverse("results:controls")).content.decode()
