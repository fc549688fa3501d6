"""The invented Tarnuvek Region: sites, staff, areas, protocol, kit models, analysers and controls."""

from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal

from django.contrib.auth.hashers import make_password
from django.db import connection
from django.db.backends.postgresql.psycopg_any import DateRange, NumericRange

from outreach.models import OutreachPolicy
from results.models import Analyser, ControlLot, CutoffRule, ResultsPolicy, TravelTime, Unit
from screening.models import Area, KitModel, Lot, Practice, Protocol, ScreeningPolicy
from staff.acting import acting
from staff.models import NonWorkingDay, Posting, Site, User
from staff.roles import Role

AREAS = {
    "NOR": ("Northmere", 0.26, (30, 26, 20, 15, 9)),
    "QUI": ("Quillport", 0.24, (12, 16, 20, 24, 28)),
    "HES": ("Hessenby", 0.18, (20, 22, 22, 20, 16)),
    "SAL": ("Saltrow", 0.14, (10, 15, 20, 25, 30)),
    "DUN": ("Upper Dunmarrow", 0.10, (18, 24, 26, 20, 12)),
    "ULV": ("Ulverdrim", 0.08, (24, 24, 22, 18, 12)),
}
"""Code → name, share of invitees, share of deprivation fifths 1…5 in %."""

SITES = {
    "QHC": ("Quillport Harbour Clinic", {"receives_kits": True}),
    "NMC": ("Northmere Mill Clinic", {"receives_kits": True}),
    "QLAB": ("Quillport Laboratory", {"is_laboratory": True}),
    "NLAB": ("Northmere Laboratory", {"is_laboratory": True}),
    "QCU": ("Quillport Unit", {"does_colonoscopy": True}),
    "NCU": ("Northmere Unit", {"does_colonoscopy": True}),
    "HCU": ("Hessenby Unit", {"does_colonoscopy": True}),
}

TRAVEL = {
    "NOR": (30, 15, 50), "QUI": (10, 30, 40), "HES": (40, 55, 25), "SAL": (45, 75, 65), "DUN": (85, 60, 90),
    "ULV": (60, 70, 35),
}  # fmt: skip
"""Area → minutes to the units of Quillport, Northmere and Hessenby; the shortest are those of job 12.1."""

STAFF = (
    ("brisa", "Brisa Tolvemir", (Role.FRONT_DESK,)),
    ("odrin", "Odrin Keff", (Role.FRONT_DESK,)),
    ("junia", "Junia Ostrevel", (Role.PHONE_DESK,)),
    ("halvo", "Halvo Mirrin", (Role.PHONE_DESK,)),
    ("teshka", "Teshka Quorl", (Role.LABORATORY,)),
    ("pell", "Pell Andavir", (Role.LABORATORY,)),
    ("ymara", "Dr Ymara Quessen", (Role.LABORATORY,)),
    ("kaddrin", "Kaddrin Fenwirth", (Role.COORDINATOR,)),
    ("liora", "Nurse Liora Vantz", (Role.COORDINATOR, Role.CLINICIAN)),
    ("emrik", "Dr Emrik Dauntel", (Role.CLINICIAN,)),
    ("sefrin", "Sefrin Mowdrake", (Role.MANAGER,)),
    ("ansel", "Ansel Trivane", (Role.ADMINISTRATOR,)),
    ("wrenna", "Wrenna Hallistrow", (Role.AUDITOR,)),
)
DEMO_PASSWORD = "tarnuvek-practice"  # noqa: S105 - the demo's sign-in is printed on purpose


@dataclass(frozen=True)
class Region:
    """Handles on what was laid down."""

    protocol: Protocol
    kit_model: KitModel
    analysers: tuple[Analyser, ...]

    @property
    def administrator(self) -> User:
        """The person in whose name the region is set up."""
        return User.objects.get(username="ansel")


def region_lay_down(
    *, first_day: date, password: str = DEMO_PASSWORD, second_person_releases: bool = False
) -> Region:
    """Make the region's reference data, in force long before `first_day`. Call once, on an empty database.

    `second_person_releases` asks for a second person at each batch and for proven pairs of letter and kit, as a programme would.
    """
    with acting(User.objects.system(), reason="demo region"):
        _places()
        _people_of_the_programme(password)
        return _policy(first_day, second_person_releases)


def _places() -> None:
    Area.objects.bulk_create(Area(code=code, name=name) for code, (name, _, _) in AREAS.items())
    Site.objects.bulk_create(Site(code=code, name=name, **kind) for code, (name, kind) in SITES.items())
    areas, sites = Area.objects.in_bulk(field_name="code"), Site.objects.in_bulk(field_name="code")
    TravelTime.objects.bulk_create(
        TravelTime(area=areas[area], site=sites[code], minutes=minutes)
        for area, ways in TRAVEL.items()
        for code, minutes in zip(("QCU", "NCU", "HCU"), ways, strict=True)
    )
    Practice.objects.bulk_create(
        Practice(code=f"P{n:02d}", name=f"{name} practice {n}", address=f"{n} Harbour Row\n{name}")
        for n, name in enumerate([name for name, _, _ in AREAS.values()] * 2, start=1)
    )


def _people_of_the_programme(password: str) -> None:
    secret = make_password(password)
    users = User.objects.bulk_create(
        User(username=u, full_name=n, email=f"{u}@example.org", password=secret) for u, n, _ in STAFF
    )
    Posting.objects.bulk_create(
        Posting(user=user, role=role)
        for user, (_, _, roles) in zip(users, STAFF, strict=True)
        for role in roles
    )


def _policy(first_day: date, second_person_releases: bool) -> Region:
    start = first_day - timedelta(days=3 * 366)
    users = {u.username: u for u in User.objects.filter(username__in=["ansel", "emrik", "teshka", "ymara"])}
    protocol = Protocol.objects.create(
        name="Protocol 1",
        valid_from=start,
        proposed_by=users["ansel"],
        approved_by=users["emrik"],
        carries_screening=True,
    )
    ScreeningPolicy.objects.create(
        protocol=protocol, second_person_releases=second_person_releases, pairs_proven=second_person_releases
    )
    # The demo releases, writes and prints in one sitting; a programme keeps the five minutes of the default.
    ResultsPolicy.objects.create(protocol=protocol, letter_hold_minutes=0, who_books="us")
    OutreachPolicy.objects.create(protocol=protocol, no_landing_weekdays=[4, 5])
    CutoffRule.objects.create(
        protocol=protocol,
        sex_key=NumericRange(1, 3),
        ages=NumericRange(0, 130),
        valid=DateRange(start, None),
        cutoff_ug_g=Decimal("20"),
        proposed_by=users["ansel"],
        approved_by=users["emrik"],
    )
    kit_model = KitModel.objects.create(
        name="Tarn 12", stool_mg=Decimal("12"), buffer_ml=Decimal("2.4"), lod_ug_g=Decimal("2"), loq_ug_g=Decimal("4"),
        upper_ug_g=Decimal("200"), valid_from=start,
    )  # fmt: skip
    KitModel.objects.create(
        name="Tarn 2", stool_mg=Decimal("2"), buffer_ml=Decimal("2.0"), lod_ug_g=Decimal("2"), loq_ug_g=Decimal("4"),
        upper_ug_g=Decimal("200"), valid_from=start,
    )  # fmt: skip
    for n, days in ((1, 500), (2, 700)):
        Lot.objects.create(
            code=f"KL{n:03d}",
            kit_model=kit_model,
            expires_on=first_day + timedelta(days=days),
            received_on=first_day - timedelta(days=30),
        )
    analysers = _laboratories(first_day, users)
    for day, name in (
        (date(first_day.year, 12, 25), "Midwinter Day"),
        (date(first_day.year + 1, 1, 1), "New Year's Day"),
    ):
        NonWorkingDay.objects.create(day=day, name=name)
    return Region(protocol, kit_model, analysers)


def _laboratories(first_day: date, users: dict[str, User]) -> tuple[Analyser, ...]:
    sites = {s.code: s for s in Site.objects.filter(is_laboratory=True)}
    analysers = Analyser.objects.bulk_create(
        [
            Analyser(code="Q1", site=sites["QLAB"], name="Quillport analyser 1"),
            Analyser(code="Q2", site=sites["QLAB"], name="Quillport analyser 2"),
            Analyser(code="N1", site=sites["NLAB"], name="Northmere analyser 1"),
        ]
    )
    for analyser in analysers:
        for level, target, sd in ((1, Decimal("90"), Decimal("5.5")), (2, Decimal("480"), Decimal("22.5"))):
            ControlLot.objects.create(
                analyser=analyser,
                material="Control",
                level=level,
                lot=f"CL{level}01",
                unit=Unit.NG_ML,
                target=target,
                sd=sd,
                opened_on=first_day - timedelta(days=14),
                expires_on=first_day + timedelta(days=540),
                entered_by=users["teshka"],
                confirmed_by=users["ymara"],
            )
    return tuple(analysers)


WISHES = """
INSERT INTO outreach_wish (person_id, form, source)
SELECT id, CASE WHEN id % 3 = 0 THEN 'easy' ELSE 'large' END, 'asked at the first invitation' FROM screening_person
WHERE id % 40 = 0 ON CONFLICT (person_id) DO NOTHING
"""


def wishes_lay_down(*, by: User) -> None:
    """One person in forty reads large print or easy words."""
    with acting(by, reason="wishes of the region"), connection.cursor() as cursor:
        cursor.execute(WISHES)
