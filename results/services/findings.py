"""Lesions and their histology read and written, and the class and proposal that follow, each kept with its moment."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from django.db.models import OuterRef, Subquery
from django.utils.translation import gettext_lazy as _

from results.findings import (
    Classed,
    Dysplasia,
    Lesion,
    Looks,
    Removal,
    Tissue,
    classify,
    lesion_problems,
    lesions_words,
    pots_problems,
    with_doubtful_pots,
)
from results.models import Examination, FindingComputed, Histology, LesionRow, Referral, Shape
from results.services.referrals_frame import Work
from results.surveillance import Course, Guideline, Proposal, proposal
from staff.errors import RoundbookError


@dataclass(frozen=True, slots=True)
class LesionEntry:
    """A lesion as typed from a report; the choices are those of `LesionRow`."""

    segment: str
    size_mm: int
    shape: str
    looks: str
    removal: str
    retrieved: bool = True
    pot: int | None = None
    tattooed: bool = False
    same_as: int | None = None
    """The number, within the referral, of the lesion that an earlier examination left in place."""

    def fact(self, number: int) -> Lesion:
        """As the pure rules read it, before any histology."""
        return Lesion(
            number, self.size_mm, self.segment, Looks(self.looks), Removal(self.removal),
            pedunculated=self.shape == Shape.PEDUNCULATED, retrieved=self.retrieved,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class HistologyEntry:
    """What pathology says of one lesion."""

    tissue: str
    dysplasia: str = "none"
    clear_margins: bool | None = None
    pot_in_doubt: bool = False
    words: str = ""


def lesions_check(lesions: Sequence[LesionEntry], pots: int, *, sizes_confirmed: bool) -> list[Lesion]:
    """The lesions as facts; RoundbookError (code `lesions_refused`) names everything that does not fit (H23)."""
    facts = [entry.fact(number) for number, entry in enumerate(lesions, start=1)]
    problems = [problem for one in facts for problem in lesion_problems(one, size_confirmed=sizes_confirmed)]
    problems += pots_problems(pots, [(one, entry.pot) for one, entry in zip(facts, lesions, strict=True)])
    if problems:
        raise RoundbookError("lesions_refused", " ".join(str(one) for one in problems), problems=problems)
    return facts


def lesions_write(examination: Examination, lesions: Sequence[LesionEntry]) -> None:
    """Store the lesions of a report in the order of the report; one seen before takes the earlier one's place.

    RoundbookError for an earlier lesion that there is not, or that two rows name.
    """
    again = [one.same_as for one in lesions if one.same_as is not None]
    earlier = {one.number: one.row for one in lesions_seen(examination.referral)} if again else {}
    if len(again) != len(set(again)) or not set(again) <= set(earlier):
        raise RoundbookError(
            "no_such_lesion",
            _("“Same as” names a lesion that no earlier report of this person has, or one twice."),
        )
    LesionRow.objects.bulk_create(
        LesionRow(
            examination=examination, number=number, segment=one.segment, size_mm=one.size_mm, shape=one.shape, looks=one.looks,
            removal=one.removal, retrieved=one.retrieved, pot=one.pot, tattooed=one.tattooed, same_as=earlier[one.same_as] if one.same_as is not None else None,
        )
        for number, one in enumerate(lesions, start=1)
    )  # fmt: skip


def histology_write(work: Work, entries: Mapping[int, HistologyEntry], document: str) -> list[LesionRow]:
    """Store histology by lesion id, a new version where there was one; returns the lesions concerned.

    RoundbookError for a lesion of another referral, one without tissue, or a missing document.
    """
    if not document.strip():
        raise RoundbookError("document_missing", _("Name the pathology report: its number or file."))
    rows = {
        row.pk: row
        for row in LesionRow.objects.filter(examination__referral=work.referral, pk__in=entries)
        if row.pot is not None
    }
    if set(rows) != set(entries):
        raise RoundbookError(
            "not_a_lesion", _("One of these lesions has no pot in this referral. Look at the page again.")
        )
    versions = dict(
        Histology.objects.filter(lesion__in=rows).order_by("version").values_list("lesion_id", "version")
    )
    Histology.objects.bulk_create(
        Histology(
            lesion_id=pk, version=versions.get(pk, 0) + 1, tissue=Tissue(one.tissue).value,
            dysplasia=Dysplasia(one.dysplasia).value, clear_margins=one.clear_margins, pot_in_doubt=one.pot_in_doubt,
            words=one.words.strip(), document=document.strip(), reported_on=work.today, entered_by=work.by,
        )
        for pk, one in entries.items()
    )  # fmt: skip
    return list(rows.values())


@dataclass(frozen=True, slots=True)
class LesionSeen:
    """A lesion with its latest histology, and its number within the referral."""

    number: int
    row: LesionRow
    histology: Histology | None


def lesions_seen(referral: Referral) -> list[LesionSeen]:
    """Every lesion of a referral over all its examinations, each as it was seen last, in the order of day and number."""
    latest = Histology.objects.filter(lesion=OuterRef("pk")).order_by("-version").values("pk")[:1]
    rows = list(
        LesionRow.objects.filter(examination__referral=referral, seen_again__isnull=True)
        .select_related("examination")
        .annotate(latest=Subquery(latest))
        .order_by("examination__day", "examination_id", "number")
    )
    told = Histology.objects.in_bulk([row.latest for row in rows if row.latest])
    return [LesionSeen(n, row, told.get(row.latest)) for n, row in enumerate(rows, start=1)]


def lesion_facts(seen: Sequence[LesionSeen]) -> list[Lesion]:
    """The lesions as the pure rules read them; those whose pots are in doubt as badly as they can be."""
    doubtful = frozenset(one.number for one in seen if one.histology and one.histology.pot_in_doubt)
    return with_doubtful_pots(_as_reported(seen), doubtful)


def _as_reported(seen: Sequence[LesionSeen]) -> list[Lesion]:
    return [
        Lesion(
            one.number, one.row.size_mm, one.row.segment, Looks(one.row.looks), Removal(one.row.removal),
            pedunculated=one.row.shape == Shape.PEDUNCULATED, retrieved=one.row.retrieved,
            tissue=Tissue(one.histology.tissue) if one.histology else None,
            dysplasia=Dysplasia(one.histology.dysplasia) if one.histology else Dysplasia.NONE,
            clear_margins=one.histology.clear_margins if one.histology else None,
        )
        for one in seen
    ]  # fmt: skip


def histology_told(referral: Referral, *, villous_counts: bool = True) -> str:
    """The histology of a referral in words: of all lesions as pathology reported them, or what was written where none was typed."""
    seen = lesions_seen(referral)
    documents = dict.fromkeys(one.histology.document for one in seen if one.histology)
    if documents:
        words = lesions_words(_as_reported(seen), villous_counts=villous_counts)
        return f"{words} ({', '.join(documents)})"
    move = referral.moves.filter(event="histology").order_by("-seq").first()
    return move.note if move else ""


def examinations_conclusive(referral: Referral) -> Examination | None:
    """The latest complete and adequately prepared examination, on which an interval may rest."""
    return referral.examinations.filter(complete=True, prep_adequate=True).order_by("-day", "-pk").first()


def computed_now(work: Work, *, told: str = "") -> tuple[Classed, Proposal, Examination | None]:
    """The class of all that is known, what the guideline proposes, and the examination it is counted from.

    `told` is the most serious finding in somebody's words, for a report without typed lesions.
    """
    policy, facts = work.policy, lesion_facts(lesions_seen(work.referral))
    base = examinations_conclusive(work.referral)
    last = work.referral.examinations.order_by("-day", "-pk").first()
    seen = told or (last.finding if last else "")
    classed = classify(facts, conclusive=base is not None, seen=seen, villous_counts=policy.villous_counts)
    if not facts and classed.finding not in {"nothing", "inconclusive"}:
        words = _("no lesion was typed from the report, so no rule of a guideline can be applied")
        return classed, Proposal(Course.LESIONS_MISSING, "lesions_missing", words), base
    return classed, proposal(Guideline(policy.guideline), facts, conclusive=base is not None), base


def finding_compute(work: Work, *, told: str = "") -> FindingComputed:
    """Compute class and proposal again; a row is written only when something differs from the last one."""
    classed, proposed, base = computed_now(work, told=told)
    made = FindingComputed(
        referral=work.referral, finding=classed.finding, because=str(classed.because),
        without_histology=classed.without_histology, provisional=classed.provisional,
        villous_counts=work.policy.villous_counts, guideline=work.policy.guideline, course=proposed.course.value,
        rule=proposed.rule, proposal_because=str(proposed.because), lesions=list(proposed.lesions),
        months_low=proposed.months[0] if proposed.months else None,
        months_high=proposed.months[1] if proposed.months else None, counted_from=base.day if base else None,
        made_at=work.frame.now, made_by=work.by,
    )  # fmt: skip
    last = finding_standing(work.referral)
    if last is not None and same_conclusion(last, made):
        return last
    made.save()
    return made


def finding_standing(referral: Referral) -> FindingComputed | None:
    """The class and proposal that stand."""
    return referral.computed.order_by("-pk").first()


COMPARED = (
    "finding", "because", "without_histology", "provisional", "villous_counts", "guideline", "course", "rule", "lesions",
    "months_low", "months_high", "counted_from",
)  # fmt: skip


def same_conclusion(one: FindingComputed, other: FindingComputed) -> bool:
    """Whether two computations say the same in everything that counts."""
    return all(getattr(one, name) == getattr(other, name) for name in COMPARED)
