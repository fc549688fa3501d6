"""The form that takes a register file."""

from django import forms
from django.utils.translation import gettext_lazy as _

from screening.routes_people import LARGEST_REGISTER


class RegisterFileForm(forms.Form):
    """A file and whether it is the whole register."""

    file = forms.FileField(
        label=_("Register file"),
        help_text=_("CSV in UTF-8 with a first line that names the columns, one person on each line."),
        error_messages={"empty": _("The file is empty. Send the register file again.")},
    )
    is_full = forms.BooleanField(
        label=_("This is the whole register, not only what changed"),
        required=False,
        help_text=_("Then people who are missing from it are counted, and too many of them hold the file."),
    )

    def clean_file(self) -> object:
        """Refuse what cannot be a register file by its size alone."""
        upload = self.cleaned_data["file"]
        if upload.size > LARGEST_REGISTER:
            raise forms.ValidationError(
                _("The file is larger than 32 MB. Split it, or load it by the command line.")
            )
        return upload
