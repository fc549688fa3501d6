"""Both letters read before the signature: the words of the letters themselves, and nothing is left behind."""

import io

import pypdf
import pytest
from django.db import connection
from django.urls import reverse

from outreach.models import Letter
from results.models import NextStep
from screening.models import Round
from tests import cast
from tests.outreach.test_next_step_letters import at_the_clinic
from tests.results import follow_up as f

pytestmark = pytest.mark.usefixtures("region")
WORDS = "Back to the kit in two years, as we talked over."


def typed(**unlike: object) -> dict[str, object]:
    """What stands in the form."""
    given = {
        "finding": "non_advanced",
        "step": "screening",
        "on": "",
        "histology": "One small adenoma.",
        "words": WORDS,
    }
    return {f"sign-{name}": value for name, value in (given | {"deviation": ""} | unlike).items()}


def test_both_letters_are_shown_and_nothing_is_signed(signed_in: object) -> None:
    page, referral = signed_in(cast.CLINICIAN), at_the_clinic()
    address = reverse("outreach:next-step-preview", args=[referral.pk])
    assert address in page.get(reverse("results:referral", args=[referral.pk])).content.decode()
    answer = page.post(address, typed())
    assert answer["Content-Type"] == "application/pdf"
    pages = [one.extract_text() for one in pypdf.PdfReader(io.BytesIO(answer.content)).pages]
    text = " ".join(" ".join(pages).split())
    assert WORDS in text
    assert "PREVIEW" in text
    assert len(pages) >= 2, "one to the person, one to the doctor"
    referral.refresh_from_db()
    assert referral.state == "to_classify"
    assert not NextStep.objects.exists()
    assert not Letter.objects.filter(kind__startswith="next_step").exists()
    assert Round.objects.get(results__referral_link__referral=referral).state == "follow_up"
    connection.check_constraints()


@pytest.mark.parametrize(
    ("unlike", "words"),
    [
        ({"words": ""}, "Fill in finding, next step and words first"),
        ({"step": "surveillance", "on": "2029-06-17"}, "another one than the guideline proposes"),
    ],
)
def test_what_cannot_be_signed_is_said_instead(
    signed_in: object, unlike: dict[str, object], words: str
) -> None:
    page, referral = signed_in(cast.CLINICIAN), at_the_clinic()
    answer = page.post(reverse("outreach:next-step-preview", args=[referral.pk]), typed(**unlike))
    assert answer.status_code >= 400
    assert words in answer.content.decode()


def test_a_coordinator_signs_nothing_and_previews_nothing(signed_in: object) -> None:
    page, referral = signed_in(cast.COORDINATOR), f.a_referral("to_classify")
    assert page.post(reverse("outreach:next-step-preview", args=[referral.pk]), typed()).status_code == 403
