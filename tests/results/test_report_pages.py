"""The forms of a report: lesions with their pots, histology, the signature, a correction; what does not fit stays typed."""

import pytest
from django.test import Client
from django.urls import reverse

from results.models import Referral
from tests import cast
from tests.results import follow_up as f
from tests.results.follow_up import do


@pytest.fixture
def page(signed_in: object) -> Client:
    """The coordinator's browser."""
    return signed_in(cast.COORDINATOR)


def lesion(nth: int, **facts: object) -> dict[str, object]:
    """The fields of one lesion row of a report."""
    given = {
        "segment": "sigmoid",
        "size_mm": 8,
        "shape": "Is",
        "looks": "adenoma",
        "removal": "en_bloc",
        "pot": nth + 1,
    }
    return {f"lesions-{nth}-{name}": value for name, value in (given | facts).items()}


def report_fields(referral: Referral, *lesions: dict[str, object], **facts: object) -> dict[str, object]:
    """A whole report as the form sends it."""
    given: dict[str, object] = {
        "number_on_report": referral.person.identifiers.get().value, "birth_on_report": "1964-03-09", "kind": "colonoscopy",
        "day": "2026-06-17", "complete": "yes", "specimens": len(lesions), "report_document": "REP-9",
        "boston_right": 2, "boston_transverse": 3, "boston_left": 2, "withdrawal_minutes": 9,
        "lesions-TOTAL_FORMS": len(lesions) + 1, "lesions-INITIAL_FORMS": 0,
    }  # fmt: skip
    for one in lesions:
        given |= one
    return given | facts


def test_a_report_with_lesions_goes_through_histology_to_the_signature(
    page: Client, signed_in: object
) -> None:
    referral = f.a_referral("report_due")
    fields = report_fields(referral, lesion(0), lesion(1, size_mm=12, segment="rectum", shape="Ip"))
    assert do(page, referral, "report", **fields).status_code == 302
    text = page.get(reverse("results:referral", args=[referral.pk])).content.decode()
    assert "What was found" in text
    assert "looked like: adenoma" in text
    first, second = referral.examinations.get().lesions.all()
    told = {f"tissue_{first.pk}": "tubular", f"dysplasia_{first.pk}": "low", "document": "PATH-1"}
    assert do(page, referral, "histology", **told).status_code == 302
    referral.refresh_from_db()
    assert referral.state == "histology_due", "one pot is still out"
    without_grade = do(
        page, referral, "histology", **{f"tissue_{second.pk}": "tubular", "document": "PATH-2"}
    )
    assert without_grade.status_code == 422
    assert "choose the grade" in without_grade.content.decode()
    told = {
        f"tissue_{second.pk}": "tubulovillous",
        f"dysplasia_{second.pk}": "low",
        f"margins_{second.pk}": "yes",
    }
    assert do(page, referral, "histology", document="PATH-2", **told).status_code == 302
    clinic: Client = signed_in(cast.CLINICIAN)
    text = " ".join(clinic.get(reverse("results:referral", args=[referral.pk])).content.decode().split())
    assert "surveillance colonoscopy on 17 Jun 2029" in text
    assert "an adenoma of 10 mm or more, or with high-grade dysplasia (lesion 2)" in text
    assert "Guideline: European (ESGE 2020)" in text
    back = do(
        clinic, referral, "sign", finding="advanced_adenoma", step="screening", words="Back in two years."
    )
    assert back.status_code == 422
    assert "another one than the guideline proposes" in back.content.decode()
    sign = {
        "finding": "advanced_adenoma",
        "step": "surveillance",
        "on": "2029-06-17",
        "words": "Examination in three years.",
    }
    assert do(clinic, referral, "sign", **sign).status_code == 302
    referral.refresh_from_db()
    assert referral.state == "closed"
    change = {f"tissue_{first.pk}": "carcinoma", f"tissue_{second.pk}": "tubulovillous", f"dysplasia_{second.pk}": "low",
              f"margins_{second.pk}": "yes", "document": "PATH-3"}  # fmt: skip
    assert do(page, referral, "amend", **change).status_code == 302
    referral.refresh_from_db()
    assert (referral.state, referral.pool) == ("to_classify", "clinicians")
    assert (first.histology.count(), second.histology.count()) == (2, 1), "only what changed is a new version"


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({"lesions-0-size_mm": ""}, "Put the marked lesions right"),
        ({"boston_left": ""}, "score of all three segments"),
        ({"specimens": 3}, "No lesion is named for pot"),
        ({"lesions-0-size_mm": 100}, "unusually large"),
        ({"lesions-0-lost": "on"}, "so it has no pot"),
    ],
)
def test_a_report_that_does_not_fit_is_refused_and_what_was_typed_stays(
    page: Client, facts: dict[str, object], words: str
) -> None:
    referral = f.a_referral("report_due")
    answer = do(page, referral, "report", **report_fields(referral, lesion(0, size_mm=41), **facts))
    assert answer.status_code in (409, 422)
    text = answer.content.decode()
    assert words in text
    assert "REP-9" in text
    assert 'name="report-lesions-0-pot" value="1"' in text.replace("\n", " ")
    assert referral.examinations.count() == 0
