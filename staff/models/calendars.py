"""Days on which a site does not work or no post lands."""

from typing import ClassVar

from django.db import models
from django.utils.translation import gettext_lazy as _

from staff.models.users import Site


class NonWorkingDay(models.Model):
    """One closed day of one site (site empty: of the whole programme); weekends are not listed."""

    site = models.ForeignKey(Site, on_delete=models.CASCADE, null=True, blank=True)
    day = models.DateField(_("day"))
    name = models.CharField(_("name"), max_length=80)

    class Meta:
        ordering: ClassVar = ["day"]
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["site", "day"], nulls_distinct=False, name="one_closed_day_per_site"
            )
        ]

    def __str__(self) -> str:
        return f"{self.day}: {self.name}"


class NoPostDay(models.Model):
    """A day on which no post leaves one site (site empty: any), though the site may work: a strike, a road closed."""

    site = models.ForeignKey(Site, on_delete=models.CASCADE, null=True, blank=True)
    day = models.DateField(_("day"))
    name = models.CharField(_("why"), max_length=80)

    class Meta:
        ordering: ClassVar = ["day"]
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["site", "day"], nulls_distinct=False, name="one_day_without_post_per_site"
            )
        ]

    def __str__(self) -> str:
        return f"{self.day}: {self.name}"


class Duty(models.Model):
    """One daily duty done on one local day; the unique row makes it happen once."""

    duty = models.CharField(max_length=40)
    local_day = models.DateField()
    done_at = models.DateTimeField()

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["duty", "local_day"], name="a_duty_once_a_day")
        ]

    def __str__(self) -> str:
        return f"{self.duty} {self.local_day}"
