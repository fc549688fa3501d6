"""What staff write down about a person: a note from the phone desk. Never changed."""

from typing import ClassVar

from django.conf import settings
from django.db import models
from django.utils.translation import gettext_lazy as _

from screening.models.people import Person


class PersonNote(models.Model):
    """Something told on the phone that fits nowhere else; it stands in the person's story."""

    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="notes")
    words = models.CharField(_("note"), max_length=400)
    written_at = models.DateTimeField()
    written_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["-written_at"]

    def __str__(self) -> str:
        return self.words
