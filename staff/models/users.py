"""Users, sites and postings (who may do what where)."""

from typing import Any, ClassVar

import pghistory
import pgtrigger
from django.contrib.auth.models import AbstractBaseUser, BaseUserManager
from django.db import models
from django.db.models.functions import Lower
from django.utils.translation import gettext_lazy as _

from staff.roles import Role

SYSTEM_USERNAME = "roundbook"


def weekdays() -> list[int]:
    """Monday to Friday."""
    return [0, 1, 2, 3, 4]


class Site(models.Model):
    """A building of the programme: reception desk, laboratory, colonoscopy unit or office."""

    code = models.CharField(_("code"), max_length=12, unique=True)
    name = models.CharField(_("name"), max_length=80)
    time_zone = models.CharField(_("time zone"), max_length=40, default="Europe/Lisbon")
    receives_kits = models.BooleanField(_("receives kits"), default=False)
    is_laboratory = models.BooleanField(_("laboratory"), default=False)
    does_colonoscopy = models.BooleanField(_("colonoscopy unit"), default=False)
    post_weekdays = models.JSONField(_("weekdays on which post leaves"), default=weekdays)

    class Meta:
        ordering: ClassVar = ["name"]

    def __str__(self) -> str:
        return self.name


class UserManager(BaseUserManager["User"]):
    """Makes users and finds the one the machine acts as."""

    def create_user(self, username: str, password: str | None = None, **extra: Any) -> "User":
        """A user who can sign in when a password is given."""
        user = self.model(username=username, **extra)
        user.set_password(password)
        user.save(using=self._db)
        return user

    def system(self) -> "User":
        """The user in whose name the recurring work is done; nobody can sign in as it."""
        return self.get(username=SYSTEM_USERNAME)

    def colleagues(self, *roles: str) -> "models.QuerySet[User]":
        """The active people who hold one of these roles, by name: no programs, who can be nobody's second person or deputy."""
        found = self.filter(is_active=True, api_client__isnull=True, postings__role__in=roles)
        return found.distinct().order_by("full_name")

    def get_by_natural_key(self, username: str | None) -> "User":
        """Sign-in names are not case sensitive."""
        return self.get(username__iexact=username)


@pghistory.track(
    pghistory.InsertEvent(level=pgtrigger.Statement),
    pghistory.UpdateEvent(level=pgtrigger.Statement),
    exclude=["password", "last_login"],
    context_field=pghistory.ContextJSONField(),
    model_name="UserHistory",
)
class User(AbstractBaseUser):
    """A member of staff, a program, or the system itself."""

    username = models.CharField(_("sign-in name"), max_length=60, unique=True)
    full_name = models.CharField(_("name"), max_length=120)
    email = models.EmailField(_("e-mail"), blank=True)
    is_active = models.BooleanField(_("active"), default=True)

    USERNAME_FIELD = "username"
    REQUIRED_FIELDS: ClassVar = ["full_name"]
    objects: ClassVar[UserManager] = UserManager()

    class Meta:
        ordering: ClassVar = ["full_name"]
        constraints: ClassVar = [
            models.UniqueConstraint(Lower("username"), name="one_user_per_sign_in_name"),
        ]

    def __str__(self) -> str:
        return self.full_name

    @property
    def roles(self) -> frozenset[str]:
        """The roles this user holds at any site (one query, kept on the object)."""
        if not hasattr(self, "_roles"):
            self._roles = frozenset(self.postings.values_list("role", flat=True)) if self.pk else frozenset()
        return self._roles

    @property
    def site_ids(self) -> frozenset[int] | None:
        """The sites this user is posted to; None when a posting covers every site."""
        sites = frozenset(self.postings.values_list("site_id", flat=True))
        return None if None in sites else frozenset(s for s in sites if s is not None)


@pghistory.track(
    pghistory.InsertEvent(level=pgtrigger.Statement),
    pghistory.DeleteEvent(level=pgtrigger.Statement),
    context_field=pghistory.ContextJSONField(),
    model_name="PostingHistory",
)
class Posting(models.Model):
    """One role of one user, at one site or (site empty) at all."""

    user = models.ForeignKey(User, on_delete=models.CASCADE, related_name="postings")
    role = models.CharField(_("role"), max_length=20, choices=Role.choices)
    site = models.ForeignKey(Site, on_delete=models.PROTECT, null=True, blank=True)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["user", "role", "site"], nulls_distinct=False, name="one_posting_per_user_role_site"
            ),
            models.CheckConstraint(condition=models.Q(role__in=Role.values), name="posting_role_is_known"),
        ]

    def __str__(self) -> str:
        return f"{self.user} – {self.role}"
