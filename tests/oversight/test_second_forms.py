"""Where a check computes a rule again in SQL, its form says the same as the rule itself, over the whole decision table."""

import random
from collections.abc import Iterator
from decimal import Decimal
from itertools import product

import pytest
from django.db import connection, transaction

from oversight.checks import finding_sql, result_sql
from results.classify import Device, Side, classify
from results.findings import Dysplasia, Lesion, Looks, Removal, Tissue, with_doubtful_pots
from results.findings import classify as finding_of
from results.units import Quantity

pytestmark = pytest.mark.django_db
DEVICES = [(Decimal("12"), Decimal("2.4")), (Decimal("10"), Decimal("1.7")), (Decimal("2.4"), Decimal("2.0"))]
VALUES = [Decimal(n) / 100 for n in (0, 1, 1994, 1995, 1996, 1999, 2000, 2001, 2004, 2005, 2006, 2050, 40000)]
COLUMNS = "id, comparator, raw_value, raw_unit, stool_mg, buffer_ml, decimals, cutoff_ug_g, comparison, reading_id, person_id, qualitative"


def cases() -> Iterator[tuple[object, ...]]:
    cutoffs = [Decimal("20"), Decimal("19.95"), Decimal("20.05"), Decimal("15.5")]
    for stool, buffer in DEVICES:
        for value, unit, comparator, decimals, cutoff, comparison in product(
            VALUES, ("ng/mL", "ug/g"), ("", "<", ">"), (0, 1, 2), cutoffs, (">=", ">")
        ):
            raw = value if unit == "ug/g" else (value * stool / buffer).quantize(Decimal("0.00001"))
            yield comparator, raw, unit, stool, buffer, decimals, cutoff, comparison


# Source of the rule: the project's ruling R4; here the two forms of it are held against each other.
def test_value_and_side_in_sql_are_those_of_the_rule() -> None:
    table = list(cases())
    assert len(table) > 5000
    with connection.cursor() as cursor, transaction.atomic():
        cursor.execute(
            "CREATE TEMP TABLE results_result (id int, comparator text, raw_value numeric, raw_unit text, stool_mg numeric,"
            " buffer_ml numeric, decimals int, cutoff_ug_g numeric, comparison text, reading_id int, person_id int, qualitative bool)"
            " ON COMMIT DROP"
        )
        with cursor.copy(f"COPY results_result ({COLUMNS}) FROM STDIN") as copy:
            for n, (comparator, raw, unit, stool, buffer, decimals, cutoff, comparison) in enumerate(table):
                copy.write_row(
                    (n, comparator, raw, unit, stool, buffer, decimals, cutoff, comparison, None, None, False)
                )
        cursor.execute(
            f"SELECT a.id, a.reported_again, a.side_again FROM ({result_sql.AGAIN}) a ORDER BY a.id"
        )
        found = cursor.fetchall()
        transaction.set_rollback(True)
    for (n, reported, side), (comparator, raw, unit, stool, buffer, decimals, cutoff, comparison) in zip(
        found, table, strict=True
    ):
        rule = classify(Quantity(comparator, raw), unit, Device(buffer, stool), decimals, cutoff, comparison)  # type: ignore[arg-type]
        told = "either" if rule.side is Side.NEEDS_PERSON else rule.side.value
        assert (reported, side) == (rule.reported, told), (n, table[n])


def a_referral(dice: random.Random, pk: int) -> tuple[list[Lesion], frozenset[int]]:
    lesions, doubtful = [], set()
    for number in range(1, dice.choice([0, 0, 1, 1, 2, 3, 4]) + 1):
        told = dice.random() < 0.8
        lesions.append(
            Lesion(
                pk * 10 + number, dice.choice([3, 5, 6, 9, 10, 12, 40]), dice.choice(["rectum", "sigmoid"]),
                dice.choice(list(Looks)), Removal.EN_BLOC, tissue=dice.choice(list(Tissue)) if told else None,
                dysplasia=dice.choice(list(Dysplasia)) if told else Dysplasia.NONE,
            )
        )  # fmt: skip
        if told and dice.random() < 0.25:
            doubtful.add(pk * 10 + number)
    return lesions, frozenset(doubtful)


TABLES = """
CREATE TEMP TABLE results_examination (id int, referral_id int, finding text, complete bool, prep_adequate bool, day date) ON COMMIT DROP;
CREATE TEMP TABLE results_lesionrow (id int, examination_id int, size_mm int, segment text, looks text, same_as_id int) ON COMMIT DROP;
CREATE TEMP TABLE results_histology (id int, lesion_id int, version int, tissue text, dysplasia text, pot_in_doubt bool) ON COMMIT DROP;
CREATE TEMP TABLE computed (id int, referral_id int, finding text, villous_counts bool) ON COMMIT DROP;
"""


# Sources of the rule are named in `results.findings`; here the two forms of it are held against each other.
def test_a_class_in_sql_is_that_of_the_rule() -> None:
    dice, wanted = random.Random(7), {}  # noqa: S311 - which lesions, not a secret
    with connection.cursor() as cursor, transaction.atomic():
        cursor.execute(TABLES)
        for pk in range(1, 1501):
            lesions, doubtful = a_referral(dice, pk)
            conclusive, villous = dice.random() < 0.7, dice.random() < 0.5
            seen = dice.choice(["nothing", "other", "inconclusive", "cancer"])
            rule = finding_of(
                with_doubtful_pots(lesions, doubtful),
                conclusive=conclusive,
                seen=seen,
                villous_counts=villous,
            )
            wanted[pk] = rule.finding
            cursor.execute(
                "INSERT INTO results_examination VALUES (%s, %s, %s, %s, %s, '2026-01-05')",
                [pk, pk, seen, conclusive, conclusive],
            )
            cursor.execute("INSERT INTO computed VALUES (%s, %s, 'nothing', %s)", [pk, pk, villous])
            for one in lesions:
                cursor.execute("INSERT INTO results_lesionrow VALUES (%s, %s, %s, %s, %s, NULL)",
                               [one.number, pk, one.size_mm, one.segment, one.looks.value])  # fmt: skip
                if one.tissue is not None:
                    cursor.execute("INSERT INTO results_histology VALUES (%s, %s, 1, %s, %s, %s)",
                                   [one.number, one.number, one.tissue.value, one.dysplasia.value, one.number in doubtful])  # fmt: skip
        cursor.execute(
            f"WITH standing AS (SELECT * FROM computed), {finding_sql.AGAIN} SELECT referral_id, class_again FROM again"
        )
        found = dict(cursor.fetchall())
        transaction.set_rollback(True)
    differing = {pk: (found[pk], wanted[pk]) for pk in wanted if found[pk] != wanted[pk]}
    assert differing == {}
    assert len(set(wanted.values())) >= 7
