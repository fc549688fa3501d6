"""Facts, signed deltas and cells: columns follow the declarations of `oversight.rollup`, so that each stands in one place."""

from typing import ClassVar

from django.db import models
from django.utils.translation import gettext_lazy as _

from oversight.rollup.facts import COLUMNS
from oversight.rollup.measures import ANCHORS


class Fold(models.Model):
    """One folding of marks into facts and cells, or one rebuilding of all from the ledgers, by which definition."""

    class Kind(models.TextChoices):
        FOLD = "fold", _("what changed was added")
        REBUILD = "rebuild", _("everything was counted again")

    kind = models.CharField(max_length=8, choices=Kind.choices, default=Kind.FOLD)
    made_at = models.DateTimeField(_("data as they stood at"))
    marks = models.IntegerField(default=0)
    changed = models.IntegerField(default=0)
    definition = models.CharField(max_length=12)

    class Meta:
        indexes: ClassVar = [models.Index(fields=["made_at"], name="fold_by_time")]

    def __str__(self) -> str:
        return f"{self.kind} {self.pk}"


class Fact(models.Model):
    """What the ledgers mean for one round, as last counted; written by the fold only."""

    round_id = models.BigIntegerField(primary_key=True)

    class Meta:
        indexes: ClassVar = [
            models.Index(fields=["invited_on", "start_on"], name="fact_by_invitation"),
            models.Index(
                fields=["released_on"], condition=models.Q(released_on__isnull=False), name="fact_by_release"
            ),
            models.Index(
                fields=["released_on", "round_id"],
                include=["contact_on", "assess_on", "exam_on", "ended_on"],
                condition=models.Q(high=True),
                name="fact_high",
            ),
            *(
                models.Index(
                    fields=[f"{day}_on"],
                    condition=models.Q((f"{day}_on__isnull", False)),
                    name=f"fact_by_{day}",
                )
                for day in ("arrived", "due", "exam", "ended")
            ),
            models.Index(
                fields=["exam_on"], condition=models.Q(high=True, finding="cancer"), name="fact_cancer"
            ),
            models.Index(
                fields=["place", "invited_on"], condition=models.Q(counted=True), name="fact_by_place"
            ),
        ]

    def __str__(self) -> str:
        return f"fact of round {self.round_id}"


class Delta(models.Model):
    """A fact taken out (−1) or put in (+1) by a fold, with what made it change; append-only."""

    fold = models.ForeignKey(Fold, on_delete=models.CASCADE, related_name="deltas")
    sign = models.SmallIntegerField()
    cause = models.CharField(max_length=32)
    round_id = models.BigIntegerField()

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["fold", "round_id", "sign"], name="a_fold_changes_a_fact_once"),
            models.CheckConstraint(condition=models.Q(sign__in=[-1, 1]), name="delta_has_a_sign"),
        ]

    def __str__(self) -> str:
        return f"{self.sign:+} round {self.round_id}: {self.cause}"


class Cell(models.Model):
    """Measures of one kind added up over rounds that share everything figures are cut by."""

    month = models.DateField()
    sex = models.CharField(max_length=8)
    age = models.SmallIntegerField()
    fifth = models.SmallIntegerField()
    history = models.SmallIntegerField()
    area_id = models.BigIntegerField()

    class Meta:
        abstract = True


def _unique(name: str) -> models.UniqueConstraint:
    return models.UniqueConstraint(
        fields=["month", "sex", "age", "fifth", "history", "area_id"], name=f"one_{name}_cell"
    )


class InvitedCell(Cell):
    """Measures of those invited in a month."""

    class Meta:
        constraints: ClassVar = [_unique("invited")]

    def __str__(self) -> str:
        return f"invited {self.month}"


class ArrivedCell(Cell):
    """Measures of those whose first kit came back in a month."""

    class Meta:
        constraints: ClassVar = [_unique("arrived")]

    def __str__(self) -> str:
        return f"arrived {self.month}"


class ReleasedCell(Cell):
    """Measures of those whose deciding result was released in a month."""

    class Meta:
        constraints: ClassVar = [_unique("released")]

    def __str__(self) -> str:
        return f"released {self.month}"


class ExaminedCell(Cell):
    """Measures of those whose first examination was in a month."""

    class Meta:
        constraints: ClassVar = [_unique("examined")]

    def __str__(self) -> str:
        return f"examined {self.month}"


class DueCell(Cell):
    """Measures of those invited again whose interval was over in a month."""

    class Meta:
        constraints: ClassVar = [_unique("due")]

    def __str__(self) -> str:
        return f"due {self.month}"


class Line(models.Model):
    """The same measures of a month cut by one thing only, which most questions ask for."""

    month = models.DateField()
    cut = models.CharField(max_length=8)
    key = models.CharField(max_length=20)

    class Meta:
        abstract = True


def _unique_line(name: str) -> models.UniqueConstraint:
    return models.UniqueConstraint(fields=["cut", "month", "key"], name=f"one_{name}_line")


class InvitedLine(Line):
    """Lines of those invited."""

    class Meta:
        constraints: ClassVar = [_unique_line("invited")]

    def __str__(self) -> str:
        return f"invited {self.month}, {self.cut} {self.key}"


class ArrivedLine(Line):
    """Lines of those whose first kit came back."""

    class Meta:
        constraints: ClassVar = [_unique_line("arrived")]

    def __str__(self) -> str:
        return f"arrived {self.month}, {self.cut} {self.key}"


class ReleasedLine(Line):
    """Lines of those whose deciding result was released."""

    class Meta:
        constraints: ClassVar = [_unique_line("released")]

    def __str__(self) -> str:
        return f"released {self.month}, {self.cut} {self.key}"


class ExaminedLine(Line):
    """Lines of those examined."""

    class Meta:
        constraints: ClassVar = [_unique_line("examined")]

    def __str__(self) -> str:
        return f"examined {self.month}, {self.cut} {self.key}"


class DueLine(Line):
    """Lines of those invited again whose interval was over."""

    class Meta:
        constraints: ClassVar = [_unique_line("due")]

    def __str__(self) -> str:
        return f"due {self.month}, {self.cut} {self.key}"


class ValueCell(models.Model):
    """How many deciding results of a month had a value of so many whole µg/g, and what was found."""

    month = models.DateField()
    sex = models.CharField(max_length=8)
    age = models.SmallIntegerField()
    value = models.SmallIntegerField()
    n = models.IntegerField(default=0)
    examined = models.IntegerField(default=0)
    cancer = models.IntegerField(default=0)
    advanced = models.IntegerField(default=0)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["month", "sex", "age", "value"], name="one_value_cell")
        ]

    def __str__(self) -> str:
        return f"{self.value} µg/g in {self.month}"


class SourceCell(models.Model):
    """Results and those at or above in a month by laboratory and lot of the kit, to take a moving rate apart."""

    month = models.DateField()
    laboratory_id = models.BigIntegerField()
    lot_id = models.BigIntegerField()
    n = models.IntegerField(default=0)
    high = models.IntegerField(default=0)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["month", "laboratory_id", "lot_id"], name="one_source_cell")
        ]

    def __str__(self) -> str:
        return f"laboratory {self.laboratory_id}, lot {self.lot_id}, {self.month}"


class WaitCell(models.Model):
    """How many waits of one clock that began in a month took so many days."""

    clock = models.CharField(max_length=8)
    month = models.DateField()
    area_id = models.BigIntegerField()
    days = models.SmallIntegerField()
    n = models.IntegerField(default=0)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["clock", "month", "area_id", "days"], name="one_wait_cell")
        ]

    def __str__(self) -> str:
        return f"{self.clock} {self.month}: {self.days} days"


def _field(declared: str) -> "models.Field[object, object]":
    """The field of a column declared in SQL."""
    nullable = not declared.endswith("NOT NULL")
    kind = declared.removesuffix(" NOT NULL")
    if kind.startswith("varchar("):
        return models.CharField(max_length=int(kind[8:-1]))
    simple: dict[str, type[models.Field[object, object]]] = {
        "bigint": models.BigIntegerField, "smallint": models.SmallIntegerField, "date": models.DateField,
        "boolean": models.BooleanField,
    }  # fmt: skip
    return simple[kind](null=nullable)


for _name, _declared in COLUMNS.items():
    if _name != "round_id":
        Fact.add_to_class(_name, _field(_declared))
        Delta.add_to_class(_name, _field(_declared))

CELLS: dict[str, type[Cell]] = {
    "invited": InvitedCell, "arrived": ArrivedCell, "released": ReleasedCell, "examined": ExaminedCell,
    "due": DueCell,
}  # fmt: skip
LINES: dict[str, type[Line]] = {
    "invited": InvitedLine, "arrived": ArrivedLine, "released": ReleasedLine, "examined": ExaminedLine,
    "due": DueLine,
}  # fmt: skip
for _anchor in ANCHORS.values():
    for _name in _anchor.measures:
        CELLS[_anchor.name].add_to_class(_name, models.IntegerField(default=0, db_default=0))
        LINES[_anchor.name].add_to_class(_name, models.IntegerField(default=0, db_default=0))
