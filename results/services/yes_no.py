"""Whether the limit set on an analyser is a person's own cutoff: only then does its yes or no count (job 2.8-9)."""

from collections.abc import Iterable, Sequence
from datetime import date

from django.db import connection
from django.utils.translation import gettext as _

from results.classify import CutoffError, Device, Side, classify_yes_no, cutoff_for
from results.lab_formats.csv_readings import RawLine
from results.models import Run
from results.services.authorise_facts import rules_in_force
from results.yes_no import yes_no_read

FACTS = """
    SELECT s.serial, d.sex_at_invitation, d.age_at_invitation, m.buffer_ml, m.stool_mg FROM results_sample s
    JOIN screening_round d ON d.id = s.round_id JOIN screening_kit k ON k.id = s.kit_id
    JOIN screening_lot l ON l.id = k.lot_id JOIN screening_kitmodel m ON m.id = l.kit_model_id
    WHERE s.serial = ANY(%s)
"""


def limits_wrong(run: Run, lines: Iterable[RawLine], serials: Sequence[str], day: date) -> dict[str, str]:
    """For lines that say only yes or no: serial → why the analyser's limit is not that person's cutoff, in words."""
    if run.device_limit is None or not any(
        line.fields and yes_no_read(line.fields[2]) is not None for line in lines
    ):
        return {}
    rules = list(rules_in_force())
    with connection.cursor() as cursor:
        cursor.execute(FACTS, [list(serials)])
        rows = cursor.fetchall()
    found = {}
    for serial, sex, age, buffer_ml, stool_mg in rows:
        try:
            rule = cutoff_for(rules, sex, age, day)
        except CutoffError as error:
            found[serial] = str(error.sentence)
            continue
        told = classify_yes_no(
            True, run.device_limit, run.unit, Device(buffer_ml, stool_mg), 1, rule.cutoff, rule.comparison
        )
        if told.side is Side.NEEDS_PERSON:
            found[serial] = _(
                "The analyser's limit is %(limit)s µg/g for this kit, but the cutoff of this person is %(cutoff)s µg/g."
                " Measure it by number."
            ) % {"limit": told.reported, "cutoff": rule.cutoff.normalize()}
    return found
