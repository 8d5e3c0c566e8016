"""What people type about themselves, and the owner about them."""

import logging
from typing import Any

from django import forms
from django.contrib.auth import password_validation
from django.contrib.auth.forms import AuthenticationForm, PasswordChangeForm
from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from shop.forms.branches import without_branches
from shop.guessing import KNOWN, address_of, count_miss, device_of, forget_misses, hidden, misses
from shop.models import Person
from shop.workflow.events import record
from shop.workflow.people import password_take
from shop.workflow.refusal import Refused

logger = logging.getLogger(__name__)

_LONGEST_PASSWORD = 200


# Wrong passwords for one name from one place before it has to wait, and for how long (seconds). Both are counted
# together: by place alone, a whole shop behind one router would stand outside because of one.
_TRIES = 10
_WAIT = 15 * 60
# And for any names from one place, and for one name from all places together. Whoever came in from there, or on this
# device, of late is not held up by these: no stranger, from however many places, locks anybody out of their own shop.
_TRIES_OF_A_PLACE = 30
_TRIES_OF_A_NAME = 100
_A_DAY = 24 * 60 * 60


class SignInForm(AuthenticationForm):
    """Name and password, guessed only slowly."""

    error_messages = {
        **AuthenticationForm.error_messages,
        "wait": gettext_lazy("Too many wrong passwords for this name. Wait a quarter of an hour."),
        "place": gettext_lazy("Too many wrong names and passwords came from this network. Wait a quarter of an hour."),
        "name": gettext_lazy(
            "Somebody tries passwords for this name from many places. Sign in on a device or in a network where you did"
            " so lately, or try again tomorrow."
        ),
    }

    shared = forms.BooleanField(
        label=gettext_lazy("This tablet is shared"),
        required=False,
        help_text=gettext_lazy("It signs you out after half an hour, and people change over with their PIN."),
    )

    def clean(self) -> dict[str, Any]:
        name = str(self.cleaned_data.get("username", "")).casefold()
        place = address_of(self.request) if self.request else ""
        device = device_of(self.request, name) if self.request else ""
        key, whole = f"sign-in:{hidden(name, device or place)}", f"sign-in-from:{hidden(place)}"
        known, to_name = f"signed-in:{hidden(name, place)}", f"sign-in-to:{hidden(name)}"
        stranger = not device and not misses(known)
        if misses(key) >= _TRIES:
            raise ValidationError(self.error_messages["wait"], code="wait")
        if stranger and misses(whole) >= _TRIES_OF_A_PLACE:
            raise ValidationError(self.error_messages["place"], code="place")
        if stranger and misses(to_name) >= _TRIES_OF_A_NAME:
            raise ValidationError(self.error_messages["name"], code="name")
        try:
            data = super().clean()
        except ValidationError:
            count_miss(key, seconds=_WAIT)
            if count_miss(whole, seconds=_WAIT) == _TRIES_OF_A_PLACE:
                record("sign_ins_slowed", by=None)
            if stranger and count_miss(to_name, seconds=_A_DAY) == _TRIES_OF_A_NAME:
                person = Person.objects.filter(username__iexact=name).first()
                told: dict[str, Any] = {"person": person.pk} if person else {}
                record("name_slowed", by=None, **told)
            logger.warning("wrong name or password from %s", place)  # no name: it may be a password in the wrong field
            raise
        forget_misses(key)
        forget_misses(known)
        count_miss(known, seconds=KNOWN)
        return data


class PersonSettingsForm(forms.ModelForm):
    """How a person likes to read and type."""

    class Meta:
        model = Person
        fields = ["units", "left_handed", "sound", "decimal_by_position"]
        widgets = {"units": forms.RadioSelect}


class OwnPasswordForm(PasswordChangeForm):
    """A person's own new password, after the old one."""

    def clean_old_password(self) -> str:
        """Guessed no faster than anywhere else."""
        typed: str = self.cleaned_data["old_password"]
        try:
            password_take(self.user, typed)
        except Refused as refusal:
            raise ValidationError(str(refusal)) from refusal
        return typed


def _password_field(label: Any, help_text: Any = "") -> forms.CharField:
    return forms.CharField(
        label=label,
        strip=False,
        max_length=_LONGEST_PASSWORD,
        help_text=help_text,
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
    )


class NewPasswordForm(forms.Form):
    """A password the owner gives to somebody."""

    password = _password_field(
        gettext_lazy("Password to begin with"),
        gettext_lazy("At least 10 characters, not a common word, not like the name."),
    )

    def __init__(self, *args: Any, person: Person, **kwargs: Any):
        super().__init__(*args, **kwargs)
        self.person = person

    def clean_password(self) -> str:
        password = self.cleaned_data["password"]
        password_validation.validate_password(password, self.person)
        return password


class PersonForm(forms.ModelForm):
    """Somebody's name, how they sign in, and what they do here."""

    first_name = forms.CharField(label=gettext_lazy("First name"), max_length=150)
    last_name = forms.CharField(label=gettext_lazy("Last name"), max_length=150)

    class Meta:
        model = Person
        fields = ["first_name", "last_name", "username", "role", "branch", "units"]
        labels = {"username": gettext_lazy("Name to sign in with")}
        help_texts = {"username": gettext_lazy("Letters, digits and @ . + - _ only.")}
        widgets = {
            "role": forms.RadioSelect,
            "units": forms.RadioSelect,
            "username": forms.TextInput(attrs={"autocomplete": "off", "autocapitalize": "none"}),
        }

    def __init__(self, *args: Any, **kwargs: Any):
        super().__init__(*args, **kwargs)
        without_branches(self)

    def clean_username(self) -> str:
        """Names that differ only in capitals would be mixed up."""
        username = self.cleaned_data["username"]
        if Person.objects.filter(username__iexact=username).exclude(pk=self.instance.pk).exists():
            raise ValidationError(_("Somebody has this name already."), code="unique")
        return username


class PersonAddForm(PersonForm):
    """A new person with the password to begin with."""

    password = NewPasswordForm.base_fields["password"]

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        password = data.get("password")
        if password:
            named = Person(**{name: data.get(name, "") for name in ("first_name", "last_name", "username")})
            try:
                password_validation.validate_password(password, named)
            except ValidationError as error:
                self.add_error("password", error)
        return data


class OwnerForm(PersonAddForm):
    """The owner, on the first day: the password twice, since nobody could give them another."""

    password = _password_field(
        gettext_lazy("Password"), gettext_lazy("At least 10 characters, not a common word, not like the name.")
    )
    again = _password_field(gettext_lazy("The same password again"))

    class Meta(PersonForm.Meta):
        fields = ["first_name", "last_name", "username", "units"]

    def clean(self) -> dict[str, Any]:
        data = super().clean()
        if data.get("password") and data.get("again") and data["password"] != data["again"]:
            self.add_error("again", ValidationError(_("The two passwords differ.")))
        return data
