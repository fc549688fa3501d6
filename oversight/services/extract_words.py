"""The columns of the extract for analysts: where each comes from, its kind and its meaning; the data dictionary."""

from collections.abc import Mapping

EXTRACT: Mapping[str, tuple[str, str, str]] = {
    "in_cohort": ("f.counted", "yes or no", "counts in uptake: invited in a batch, not in error, not postponed and invited again"),
    "outside_batches": ("f.outside", "yes or no", "asked for, or taken over from earlier records"),
    "invited_on": ("f.invited_on", "day", "day of invitation"),
    "start_on": ("f.start_on", "day", "day the first kit was handed to the post; windows run from it"),
    "area": ("coalesce(a.code, '')", "text", "code of the area at invitation; empty: not known"),
    "sex": ("f.sex", "text", "sex at invitation"),
    "age_from": ("f.age", "number", "first year of the five-year age at invitation; -1: not known"),
    "deprivation_fifth": ("f.fifth", "number", "1 least to 5 most deprived; 0: not known"),
    "history": ("f.history", "number", "0 first screen, 1 took part before but not in the last round, 2 in the last round"),
    "band_before": ("f.band", "number", "value in the round before: 0 none, 1 below 4, 2 below 10, 3 below 20, 4 from 20 µg/g"),
    "kits_sent": ("f.kits", "number", "kits handed to the post"),
    "kits_back": ("f.kits_back", "number", "kits that came back"),
    "kits_rejected": ("f.kits_rejected", "number", "kits that could not be used"),
    "undelivered": ("f.undelivered", "yes or no", "a kit came back as undeliverable"),
    "arrived_on": ("f.arrived_on", "day", "arrival of the first kit"),
    "usable_on": ("f.usable_on", "day", "first release of a usable result that stands"),
    "sample_age_days": ("f.sample_age", "number", "days from the earliest possible collection to analysis"),
    "released_on": ("f.released_on", "day", "release of the deciding result"),
    "value_ug_g": ("f.value", "number", "deciding value, whole µg/g rounded down; empty: none, or only yes or no"),
    "at_or_above": ("f.high", "yes or no", "the deciding result is at or above the cutoff in force"),
    "kit_lot": ("coalesce(t.code, '')", "text", "lot of the kit of the deciding result"),
    "laboratory": ("coalesce(s.code, '')", "text", "laboratory of the deciding result"),
    "spoken_on": ("f.contact_on", "day", "somebody first spoke with the person"),
    "assessed_on": ("f.assess_on", "day", "first assessment"),
    "examined_on": ("f.exam_on", "day", "first examination"),
    "colonoscopies": ("f.scopes", "number", "colonoscopies of the referral"),
    "complete": ("f.complete", "number", "of them complete"),
    "harm": ("f.harmed", "number", "of them followed by an adverse event within 30 days"),
    "finding": ("f.finding", "text", "most serious finding: signed, else computed, else as reported"),
    "place": ("f.place", "text", "where the round stands now"),
}  # fmt: skip
"""Column → SQL over a fact, kind, meaning. No person, no round number: rows cannot be joined back."""
