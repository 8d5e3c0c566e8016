"""What a spec is asked, and the figures of a bought part."""

from collections.abc import Mapping
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from keyboards.core.flex import WOODS
from keyboards.forms.keys import KeyForm, size, wood
from keyboards.forms.numbers import AskedForm, LengthField, NumberField, keys_typed
from keyboards.models import BoughtPart, Compass
from keyboards.specifying import RAIL, STICK

_LONGEST_KEYS = 600


class SpecForm(KeyForm):
    """Which keys, how the new buttons stand, and the key they go on."""

    keys = forms.CharField(
        label=gettext_lazy("Keys that get a button"),
        max_length=_LONGEST_KEYS,
        help_text=gettext_lazy("Such as 1-26, 41, C6 to C8."),
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    follows = forms.ChoiceField(
        label=gettext_lazy("The button's long edge stands"),
        choices=[
            (STICK, gettext_lazy("along the stick: skew less splay")),
            (RAIL, gettext_lazy("square to the rail: the skew as it is")),
        ],
        initial=RAIL,
    )
    mortise_length = size(
        gettext_lazy("Mortise, length"), 14, low=1, high=60, help_text=gettext_lazy("A starting value: measure one.")
    )
    slot_length = size(gettext_lazy("Slot, length"), 14, low=0, high=60)
    pin = LengthField(label=gettext_lazy("Balance pin"), low=2, high=8, start=3.7)
    button_wood = wood(gettext_lazy("Wood of the button"), "sugar_maple")
    force = NumberField(
        label=gettext_lazy("Force of a hard blow"),
        low=1,
        high=500,
        start=50,
        sign="N",
        decimals=0,
        help_text=gettext_lazy("An estimate."),
    )
    blank = LengthField(label=gettext_lazy("Blank, length"), low=20, high=3000, start=300)
    kerf = LengthField(label=gettext_lazy("Saw kerf"), low=0, high=10, start=2)
    groups = (
        (gettext_lazy("What to cut"), ("keys", "follows", "mortise_length", "blank", "kerf")),
        (
            gettext_lazy("The key it goes on"),
            ("stick_wood", "button_wood", "slot_length", "slot_width", "slot_depth", "pin", "stick_width",
             "stick_height", "front_arm", "rear_arm", "hole", "force"),
        ),
        (
            gettext_lazy("Shoe and plate, 0 where there is none"),
            ("shoe_length", "shoe_height", "shoe_wood", "plate_length", "plate_height", "plate_wood"),
        ),
    )  # fmt: skip

    def __init__(self, asked: Mapping[str, str], *, unit: str, known: Mapping[str, Any], compass: Compass):
        super().__init__(asked, unit=unit, known=known)
        self.compass = compass

    def clean_keys(self) -> list[int]:
        return keys_typed(self.cleaned_data["keys"], self.compass)


class PartForm(AskedForm):
    """A bought part as it was measured; lengths in the person's unit."""

    title = forms.CharField(
        label=gettext_lazy("Part"),
        max_length=80,
        help_text=gettext_lazy("What it says on the bag."),
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    length = LengthField(label=gettext_lazy("Length"), low=10, high=90)
    width = LengthField(label=gettext_lazy("Width"), low=5, high=30)
    height = LengthField(label=gettext_lazy("Height"), low=2, high=30)
    mortise_width = LengthField(label=gettext_lazy("Mortise, width"), low=2, high=15)
    mortise_length = LengthField(label=gettext_lazy("Mortise, length"), low=3, high=40)
    skew = NumberField(
        label=gettext_lazy("Angle of the mortise"),
        low=-15,
        high=15,
        start=0,
        sign="°",
        decimals=1,
        help_text=gettext_lazy("To the part's long edge; plus: playing end to the treble."),
    )
    offset = LengthField(
        label=gettext_lazy("Mortise off the middle"),
        low=-5,
        high=5,
        start=0,
        help_text=gettext_lazy("Plus: to the treble."),
    )
    wood = wood(gettext_lazy("Wood"), "sugar_maple")

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        self.order("mortise_width", "width", _("The button must be wider than its mortise."))
        self.order("mortise_length", "length", _("The button must be longer than its mortise."))
        width, offset, mortise = (data.get(name) for name in ("width", "offset", "mortise_width"))
        if width is not None and offset is not None and mortise is not None and abs(offset) >= (width - mortise) / 2:
            self.add_error("offset", ValidationError(_("So far off the middle the mortise has no wood on one side.")))
        return data

    def clean_title(self) -> str:
        title = self.cleaned_data["title"].strip()
        if not title:
            raise ValidationError(_("Give the part a name."))
        return title

    def figures(self) -> dict[str, int]:
        """In um and mdeg, as they are kept."""
        return {
            name: round(self.cleaned_data[name] * 1000)
            for name in ("length", "width", "height", "mortise_width", "mortise_length", "skew", "offset")
        }

    @classmethod
    def of(cls, part: BoughtPart | None, asked: Mapping[str, str], *, unit: str) -> "PartForm":
        """Filled with a part that is kept, or empty."""
        known: dict[str, Any] = {}
        if part is not None:
            for name in ("length", "width", "height", "mortise_width", "mortise_length", "skew", "offset"):
                value = getattr(part, name)
                known[name] = None if value is None else value / 1000
            known |= {"title": part.title, "wood": part.wood if part.wood in WOODS else "sugar_maple"}
        return cls(asked, unit=unit, known=known)
