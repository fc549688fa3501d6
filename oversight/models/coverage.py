"""How many people there are to be reached, counted once a night, with how many were invited and screened lately."""

from typing import ClassVar

from django.db import models
from django.utils.translation import gettext_lazy as _


class CoverageCell(models.Model):
    """People of the age band on a day who share area, sex, five-year age and deprivation fifth."""

    day = models.DateField(_("reference day"))
    area_id = models.BigIntegerField()
    sex = models.CharField(max_length=8)
    age = models.SmallIntegerField()
    fifth = models.SmallIntegerField()
    people = models.IntegerField()
    invited = models.IntegerField()
    screened = models.IntegerField()

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["day", "area_id", "sex", "age", "fifth"], name="one_coverage_cell"
            ),
            models.CheckConstraint(
                condition=models.Q(invited__lte=models.F("people"), screened__lte=models.F("people")),
                name="no_more_reached_than_there_are",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.people} people on {self.day}"
