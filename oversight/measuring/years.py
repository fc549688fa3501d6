"""Fills a database with five years of finished rounds by set-based SQL, for measuring and for published tables.

Every number is drawn from the row's own number, so that two fills are alike. Nothing passes through the services: the
facts are then counted from these rows as from any others.
"""

from collections.abc import Callable
from datetime import timedelta

from django.db import connection

from oversight.measuring.laying import laid_bare
from oversight.services.rollup import rebuild
from screening.models import Batch, Delivery, Protocol
from screening.services.intake import delivery_record, session_start
from staff import clock
from staff.models import Site, User

YEARS_DAYS = 1826
SETTLED_DAYS = 130
"""So long ago the last of them was invited: everything that follows lies in the past too."""
TABLES = (
    "screening_person", "screening_round", "screening_kit", "screening_return", "screening_scan", "results_sample", "results_reading",
    "results_result", "results_referral", "results_referralresult", "results_examination", "results_run",
)  # fmt: skip
DRAW = "(('x' || substr(md5(({salt} || '.' || {of})::text), 1, 7))::bit(28)::int / 268435456.0)"
"""A number from 0 to 1 drawn from a row's number."""


def drawn(salt: str, of: str = "i") -> str:
    """SQL of the draw of that name for a row."""
    return DRAW.format(salt=f"'{salt}'", of=of)


PEOPLE = """
INSERT INTO screening_person (id, family_name, given_names, name_key, birth_date, sex, address_1, address_2, locality,
    postcode, phone, email, language, area_id, deprivation_fifth, hidden_address, not_due_code)
SELECT i, 'Past', 'Person', 'past ' || i, %(today)s::date - (50 * 365 + (i %% 9125))::int,
    CASE WHEN i %% 2 = 0 THEN 'female' ELSE 'male' END, '', '', '', '', '', '', '',
    (SELECT array_agg(id ORDER BY id) FROM screening_area)[1 + i %% (SELECT count(*) FROM screening_area)],
    1 + (i / 7) %% 5, false, ''
FROM generate_series(1, %(n)s) i
"""
ROUNDS = f"""
INSERT INTO screening_round (id, state, last_seq, pool, state_since, closed_at, close_reason, person_id, batch_id, protocol_id,
    nth, invited_on, dispatched_on, sex_at_invitation, age_at_invitation, area_id, deprivation_fifth)
SELECT i, 'closed', 4, '', roundbook_now(), roundbook_now(),
    CASE WHEN {drawn("back")} >= 0.604 THEN 'not_returned' WHEN {drawn("usable")} >= 0.98 THEN 'no_usable_sample'
         WHEN {drawn("value")} < 0.062 THEN 'follow_up_concluded' ELSE 'below' END,
    i, %(batch)s, (SELECT min(id) FROM screening_protocol), 1, d.day, d.day + 1, p.sex, 50 + (i %% 25),
    p.area_id, p.deprivation_fifth
FROM generate_series(1, %(n)s) i JOIN screening_person p ON p.id = i,
    LATERAL (SELECT %(first)s::date + (i::bigint * %(days)s / %(n)s)::int AS day) d
"""
KITS = f"""
INSERT INTO screening_kit (id, state, last_seq, pool, close_reason, serial, lot_id, round_id, ordinal, dispatched_on, void_reason)
SELECT %(kits)s + r.id, CASE WHEN {drawn("back", "r.id")} < 0.604 THEN 'returned' ELSE 'dispatched' END, 4, '', '',
    'PAST' || r.id, l.ids[1 + r.id %% array_length(l.ids, 1)], r.id, 1, r.dispatched_on, ''
FROM screening_round r, (SELECT array_agg(id ORDER BY id) AS ids FROM screening_lot) l WHERE r.id <= %(n)s
"""
RETURNS = f"""
INSERT INTO screening_return (id, state, last_seq, pool, close_reason, kit_id, delivery_id, arrived_on, label_day,
    collected_earliest, collected_latest, name_checked, remark)
SELECT r.id, CASE WHEN {drawn("usable", "r.id")} >= 0.98 THEN 'unsuitable' ELSE 'ready' END, 2, '', '', %(kits)s + r.id,
    %(delivery)s, r.dispatched_on + 6 + (90 * power({drawn("delay", "r.id")}, 3))::int, '7',
    r.dispatched_on + 4, r.dispatched_on + 4, true, ''
FROM screening_round r WHERE r.id <= %(n)s AND {drawn("back", "r.id")} < 0.604
"""
SCANS = """
INSERT INTO screening_scan (session_id, sequence, raw, kit_id, outcome, code, typed, "window", offline, heard_at, by_id)
SELECT %(session)s, b.id, 'PAST' || b.id, b.kit_id, 'accepted', 'fit', false, 'w', false, b.arrived_on::timestamptz, %(by)s
FROM screening_return b WHERE b.id <= %(n)s
"""
SAMPLES = """
INSERT INTO results_sample (id, state, last_seq, pool, close_reason, return_of_id, kit_id, round_id, person_id, serial,
    collected_earliest, usable_until)
SELECT b.id, 'reported', 5, '', '', b.id, b.kit_id, b.id, b.id, 'PAST' || b.id, b.collected_earliest, b.arrived_on + 30
FROM screening_return b WHERE b.state = 'ready' AND b.id <= %(n)s
"""
VALUE = (
    "(CASE WHEN {v} >= 0.41 THEN 0 WHEN {v} >= 0.138 THEN 2 + 1.9 * ((0.41 - {v}) / 0.272)"
    " WHEN {v} >= 0.062 THEN 4 + 15.9 * power((0.138 - {v}) / 0.076, 1.6) ELSE 20 + 380 * power((0.062 - {v}) / 0.062, 4) END)"
).format(v=drawn("value", "s.id"))
READINGS = f"""
INSERT INTO results_reading (id, sample_id, run_id, running_number, raw, comparator, value, unit, flag, dilution, qualitative,
    analysed_on, read_at)
SELECT s.id, s.id, q.ids[1 + s.id %% 2], s.id, '', '', ({VALUE} * 5)::numeric(14, 5), 'ng/mL', '', 1, false, b.arrived_on + 1,
    roundbook_now()
FROM results_sample s JOIN screening_return b ON b.id = s.id,
    (SELECT array_agg(id ORDER BY id DESC) AS ids FROM results_run WHERE nth = 999) q WHERE s.id <= %(n)s
"""
RESULTS = """
INSERT INTO results_result (id, sample_id, round_id, person_id, version, is_current, is_deciding, reading_id, run_id, raw_value,
    raw_unit, comparator, kit_model_id, stool_mg, buffer_ml, reported_ug_g, decimals, side, rule_id, cutoff_ug_g, comparison,
    sex_used, age_used, exact_differs, qualitative, analysed_on, authorised_on, authorised_at, authorised_by_id, reason)
SELECT d.id, d.id, d.id, d.id, 1, true, true, d.id, d.run_id, d.value, 'ng/mL', '', (SELECT min(id) FROM screening_kitmodel), 12,
    2.4, round(d.value / 5, 1), 1, CASE WHEN round(d.value / 5, 1) >= 20 THEN 'at_or_above' ELSE 'below' END,
    (SELECT min(id) FROM results_cutoffrule), 20, '>=', r.sex_at_invitation, r.age_at_invitation, false, false, d.analysed_on,
    d.analysed_on + 1, roundbook_now(), %(by)s, ''
FROM results_reading d JOIN screening_round r ON r.id = d.id WHERE d.id <= %(n)s
"""
REFERRALS = """
INSERT INTO results_referral (id, state, last_seq, pool, closed_at, close_reason, person_id, opened_on)
SELECT e.id, 'closed', 9, '', (e.authorised_on + 60)::timestamptz, 'next_step_signed', e.person_id, e.authorised_on
FROM results_result e WHERE e.side = 'at_or_above' AND e.id <= %(n)s
"""
LINKS = """
INSERT INTO results_referralresult (referral_id, result_id)
SELECT f.id, f.id FROM results_referral f WHERE f.id <= %(n)s
"""
EXAMINATIONS = f"""
INSERT INTO results_examination (id, referral_id, kind, day, complete, prep_adequate, caecum_proof, comfort, at_once, specimens,
    finding, report_document, reported_on, entered_by_id)
SELECT f.id, f.id, 'colonoscopy', f.opened_on + 10 + (80 * power({drawn("wait", "f.id")}, 2))::int, true, true, '', '', '', 0,
    CASE WHEN {drawn("found", "f.id")} < 0.035 THEN 'cancer' WHEN {drawn("found", "f.id")} < 0.25 THEN 'advanced_adenoma'
         WHEN {drawn("found", "f.id")} < 0.5 THEN 'non_advanced' ELSE 'nothing' END, 'past', f.opened_on + 120, %(by)s
FROM results_referral f WHERE f.id <= %(n)s AND {drawn("seen", "f.id")} < 0.86
"""
RUNS = """
INSERT INTO results_run (analyser_id, day, nth, unit, status, opened_by_id, opened_at, closed_by_id, closed_at, resolution)
SELECT id, %(first)s, 999, 'ng/mL', 'in_control', %(by)s, roundbook_now(), %(by)s, roundbook_now(), '' FROM
    (SELECT id FROM results_analyser ORDER BY id LIMIT 2) a
"""
STATEMENTS = (
    PEOPLE, RUNS, ROUNDS, KITS, RETURNS, SCANS, SAMPLES, READINGS, RESULTS, REFERRALS, LINKS, EXAMINATIONS,
)  # fmt: skip
KIT_OFFSET = 1_000_000_000


def past_delivery(*, by: User) -> Delivery:
    """The sack all past kits came in."""
    site = Site.objects.filter(receives_kits=True)[0]
    return delivery_record(by=by, site=site, arrived_on=clock.today())


def past_laid_down(rounds: int, *, by: User, tell: Callable[[str], None] = lambda _words: None) -> None:
    """So many rounds over five years, one a person, with everything that follows; then all facts."""
    delivery = past_delivery(by=by)
    batch = Batch.objects.create(
        number="PAST", opened_on=clock.today(), opened_by=by, opened_at=clock.now(),
        protocol=Protocol.objects.order_by("pk")[0], size=rounds,
    )  # fmt: skip
    facts = {
        "n": rounds, "today": clock.today(), "first": clock.today() - timedelta(days=YEARS_DAYS + SETTLED_DAYS), "days": YEARS_DAYS,
        "batch": batch.pk, "kits": KIT_OFFSET, "delivery": delivery.pk, "by": by.pk,
        "session": session_start(by=by, delivery=delivery).pk,
    }  # fmt: skip
    with laid_bare(*TABLES, by=by) as owner:
        for statement in STATEMENTS:
            tell(statement.split("INTO ")[1].split(" ")[0])
            owner.execute(statement.encode(), facts)
            owner.execute("ANALYZE")
    tell("facts and cells")
    rebuild()
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM oversight_fact")
        if cursor.fetchone()[0] < rounds:
            raise AssertionError("Some rounds have no fact.")
