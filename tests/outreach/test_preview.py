"""The letter that a release would lead to, read before the release: its very words, and nothing kept."""

import io
from collections.abc import Callable

import pypdf
import pytest
from django.test import Client
from django.urls import reverse

from outreach.models import Letter
from outreach.services.freezing import letters_freeze
from outreach.services.planning import letters_plan
from results.models import Referral, Result, Sample
from results.services.authorise import result_release_at_or_above, results_release_below
from staff import clock
from staff.models import AccessEntry
from tests import cast, factories
from tests import lab_bench as bench

pytestmark = pytest.mark.usefixtures("region")
SignIn = Callable[[str], Client]


def words_of(content: bytes) -> str:
    pages = pypdf.PdfReader(io.BytesIO(content)).pages
    return " ".join(" ".join(page.extract_text() for page in pages).split())


@pytest.mark.parametrize(("value", "kind"), [("900", "result_more_tests"), ("20", "result_below")])
def test_the_preview_says_what_the_letter_will_and_keeps_nothing(
    signed_in: SignIn, value: str, kind: str
) -> None:
    # Source: job 5.4: next action preview with the letter text.
    sample = bench.a_sample()
    bench.measured([(sample, value)])
    client = signed_in(cast.LABORATORY)
    address = reverse("outreach:result-preview", args=[sample.pk])
    if kind == "result_more_tests":
        assert address in client.get(reverse("results:release-one", args=[sample.pk])).content.decode()
    answer = client.get(address)
    assert answer["Content-Type"] == "application/pdf"
    said = words_of(answer.content)
    assert "PREVIEW" in said
    assert not Result.objects.exists()
    assert not Referral.objects.exists()
    assert not Letter.objects.exists()
    assert Sample.objects.get(pk=sample.pk).state == "ready_to_authorise"
    assert (
        AccessEntry.objects.filter(person_id=sample.person_id, place="outreach:result-preview").count() == 1
    )
    if kind == "result_more_tests":
        result_release_at_or_above(by=bench.lead(), sample=sample)
    else:
        results_release_below(by=bench.lead())
    letters_plan(by=factories.by_default())
    Letter.objects.update(not_before=clock.today())
    assert letters_freeze(by=factories.by_default(), kind=kind) == 1
    context = Letter.objects.get(kind=kind).context
    assert context["value"] in said
    assert context["name"] in said


def test_where_a_person_decides_first_the_page_says_so(signed_in: SignIn) -> None:
    sample = bench.a_sample()
    bench.measured([(sample, "<150")])
    client = signed_in(cast.LABORATORY)
    page = client.get(reverse("outreach:result-preview", args=[sample.pk]), follow=True).content.decode()
    assert "A person decides here first" in page
    assert not Result.objects.exists()
