"""What the tools for the bench are asked: each a form in an address, lengths in the person's unit."""

from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from keyboards.core import fit, flex, humidity
from keyboards.core.assumptions import BY_NAME
from keyboards.forms.keys import KeyForm, size, wood
from keyboards.forms.numbers import AskedForm, LengthField, LengthsField, NumberField, WholeField

CALIBRATED, BEFORE = "yes", "no"


def _mortise(start: float = 5.5) -> LengthField:
    return LengthField(label=gettext_lazy("Bare mortise, width"), low=2, high=15, start=start)


def _pin(start: float = 3.7) -> LengthField:
    return LengthField(label=gettext_lazy("Pin, as measured"), low=2, high=8, start=start)


def _compression(**kwargs: Any) -> NumberField:
    return NumberField(
        label=gettext_lazy("Compression of the cloth"),
        low=0,
        high=fit.MOST_COMPRESSION,
        start=fit.COMPRESSION,
        decimals=3,
        help_text=gettext_lazy("A fraction: 0.15 is 15 %."),
        **kwargs,
    )


class ClothForm(AskedForm):
    """Which cloth a mortise needs."""

    mortise = _mortise()
    pin = _pin()
    clearance = LengthField(label=gettext_lazy("Wanted side clearance in all"), low=0, high=0.5, start=fit.CLEARANCE)
    lower = LengthField(
        label=gettext_lazy("Tighter by at most"),
        low=0,
        high=0.5,
        start=-fit.LOWER,
        help_text=gettext_lazy("Tolerance."),
    )
    upper = LengthField(
        label=gettext_lazy("Looser by at most"), low=0, high=0.8, start=fit.UPPER, help_text=gettext_lazy("Tolerance.")
    )
    compression = _compression()
    calibrated = forms.ChoiceField(
        label=gettext_lazy("Compression calibrated on a trial key"),
        choices=[(BEFORE, gettext_lazy("not yet")), (CALIBRATED, gettext_lazy("yes"))],
        initial=BEFORE,
    )
    stock = LengthsField(
        label=gettext_lazy("Cloth in stock"),
        low=0.2,
        high=5,
        start=BY_NAME["stock"].default,
        widget=forms.TextInput(attrs={"class": "figure", "autocomplete": "off"}),
    )

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        self.order("pin", "mortise", _("The pin does not enter: the mortise must be wider than the pin."))
        low, high = data.get("lower"), data.get("upper")
        if low == 0 and high == 0:
            self.add_error("upper", ValidationError(_("Allow some room on one side at least.")))
        return data


class CompressionForm(AskedForm):
    """How far the cloth gives way, from one trial key."""

    mortise = _mortise()
    pin = _pin()
    cloth = LengthField(
        label=gettext_lazy("Cloth, one layer"),
        low=0.2,
        high=5,
        start=1.0,
        help_text=gettext_lazy("A folded stack of eight layers or more, divided."),
    )
    play = LengthField(
        label=gettext_lazy("Side play measured at the bushing"),
        low=0,
        high=3,
        start=0.08,
        help_text=gettext_lazy("Key up, at the pin: not at the fingertip."),
    )

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        self.order("pin", "mortise", _("The pin does not enter: the mortise must be wider than the pin."))
        return data


def wood_movement_names() -> dict[str, str]:
    """The woods whose movement is published, in words."""
    return {
        "sugar maple": _("sugar maple"),
        "American basswood": _("American basswood"),
        "American beech": _("American beech"),
        "yellow-poplar": _("yellow-poplar"),
        "sugar pine": _("sugar pine"),
    }


RADIAL, TANGENTIAL = "radial", "tangential"


class HumidityForm(AskedForm):
    """What the air alone does to a size."""

    size = LengthField(label=gettext_lazy("Size, as read the second time"), low=0.5, high=400, start=5.5)
    wood = forms.ChoiceField(
        label=gettext_lazy("Wood"),
        choices=lambda: [(code, wood_movement_names()[code]) for code in humidity.WOODS],
        initial="sugar maple",
    )
    direction = forms.ChoiceField(
        label=gettext_lazy("The size runs"),
        choices=[
            (TANGENTIAL, gettext_lazy("along the rings (flat-sawn)")),
            (RADIAL, gettext_lazy("across the rings (quarter-sawn)")),
        ],
        initial=TANGENTIAL,
    )
    temperature_before = NumberField(
        label=gettext_lazy("Temperature"), low=-10, high=60, start=20, sign="°C", decimals=1
    )
    humidity_before = NumberField(label=gettext_lazy("Humidity"), low=0, high=95, start=50, sign="% RH", decimals=1)
    temperature_after = NumberField(
        label=gettext_lazy("Temperature"), low=-10, high=60, start=20, sign="°C", decimals=1
    )
    humidity_after = NumberField(label=gettext_lazy("Humidity"), low=0, high=95, start=50, sign="% RH", decimals=1)
    groups = (
        ("", ("size", "wood", "direction")),
        (gettext_lazy("The air at the first reading"), ("temperature_before", "humidity_before")),
        (gettext_lazy("The air at the second reading"), ("temperature_after", "humidity_after")),
    )


class SampleForm(AskedForm):
    """What a sample of a set says of the whole."""

    total = WholeField(label=gettext_lazy("Keys in the set"), low=1, high=128, start=88)
    inspected = WholeField(label=gettext_lazy("Keys inspected"), low=1, high=128, start=22)
    failing = WholeField(label=gettext_lazy("of them failing"), low=0, high=128, start=0)
    allowed = WholeField(
        label=gettext_lazy("Failing keys to be allowed"),
        low=0,
        high=128,
        start=8,
        help_text=gettext_lazy("For the smallest sample."),
    )
    confidence = NumberField(
        label=gettext_lazy("Confidence"),
        low=0.5,
        high=0.999,
        start=0.95,
        decimals=3,
        help_text=gettext_lazy("0.95 is the custom."),
    )
    seed = WholeField(
        label=gettext_lazy("Number for the draw"),
        low=0,
        high=999_999_999,
        start=1,
        help_text=gettext_lazy("The same number draws the same keys again."),
    )

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        total, inspected = data.get("total"), data.get("inspected")
        if total is not None and inspected is not None and inspected > total:
            self.add_error("inspected", ValidationError(_("More keys than the set has.")))
        if inspected is not None and data.get("failing") is not None and data["failing"] > inspected:
            self.add_error("failing", ValidationError(_("More keys than were inspected.")))
        if total is not None and data.get("allowed") is not None and data["allowed"] > total:
            self.add_error("allowed", ValidationError(_("More keys than the set has.")))
        return data


class PinForm(AskedForm):
    """The caul for a pin."""

    nominal = LengthField(label=gettext_lazy("Pin, nominal"), low=2, high=8, start=3.7084)
    pin = LengthField(
        label=gettext_lazy("Pin, as measured"),
        low=2,
        high=8,
        start=3.6068,
        help_text=gettext_lazy("With a micrometer, after polishing, where the cloth rubs."),
    )


class WeightForm(AskedForm):
    """Down and up weight of a key."""

    down = NumberField(label=gettext_lazy("Down weight"), low=5, high=200, start=52, sign="g", decimals=1)
    up = NumberField(label=gettext_lazy("Up weight"), low=0, high=150, start=28, sign="g", decimals=1)

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        down, up = data.get("down"), data.get("up")
        if down is not None and up is not None and up > down:
            self.add_error("up", ValidationError(_("A key cannot lift more than makes it sink: look again.")))
        return data


class FlexForm(KeyForm):
    """A key and the same key changed."""

    slot_length = size(gettext_lazy("Slot, length"), 14, low=0, high=60)
    button_length = size(gettext_lazy("Button, length"), 40, low=0, high=120)
    button_width = size(gettext_lazy("Button, width"), 13, low=0, high=40)
    button_height = size(gettext_lazy("Button, height"), 8, low=0, high=40)
    mortise_length = size(gettext_lazy("Mortise, length"), 14, low=0, high=60)
    mortise_width = size(gettext_lazy("Mortise, width"), 5.5, low=0, high=15)
    button_wood = wood(gettext_lazy("Wood of the button"), "sugar_maple")
    other_length = size(gettext_lazy("Button, length"), 32, low=0, high=120)
    other_button_height = size(gettext_lazy("Button, height"), 8, low=0, high=40)
    other_button_wood = wood(gettext_lazy("Wood of the button"), "sugar_maple")
    other_height = size(gettext_lazy("Stick, height at the pin"), 24, low=5, high=60)
    other_stick_wood = wood(gettext_lazy("Wood of the stick"), "sitka_spruce")
    measured = LengthField(
        label=gettext_lazy("Sink measured under 1000 g"),
        low=0,
        high=20,
        required=False,
        help_text=gettext_lazy("Hung at the playing end, key held at capstan and balance hole."),
    )
    groups = (
        (
            gettext_lazy("The key"),
            ("front_arm", "rear_arm", "stick_width", "stick_height", "stick_wood", "slot_length", "slot_width",
             "slot_depth", "hole"),
        ),
        (
            gettext_lazy("Its button"),
            ("button_length", "button_width", "button_height", "button_wood", "mortise_length", "mortise_width"),
        ),
        (
            gettext_lazy("The same key changed"),
            ("other_length", "other_button_height", "other_button_wood", "other_height", "other_stick_wood"),
        ),
        (
            gettext_lazy("Shoe and plate, 0 where there is none"),
            ("shoe_length", "shoe_height", "shoe_wood", "plate_length", "plate_height", "plate_wood"),
        ),
        (gettext_lazy("On the bench"), ("measured",)),
    )  # fmt: skip

    def clean(self) -> dict[str, Any]:
        data = super().clean()
        if data.get("button_width"):
            self.order("mortise_width", "button_width", _("The button must be wider than its mortise."))
        self.order("slot_depth", "other_height", _("The stick must be higher than its slot is deep."))
        arms = [data[name] for name in ("front_arm", "rear_arm") if data.get(name) is not None]
        other = data.get("other_length")
        if arms and other is not None and other > 2 * min(arms):
            self.add_error("other_length", ValidationError(_("Longer than twice the shorter arm of the key.")))
        return data

    def two_keys(self) -> tuple[flex.KeyGeometry, flex.KeyGeometry]:
        """The key as it is, and changed."""
        data = self.cleaned_data

        def woods(code: str) -> float:
            return flex.WOODS[code].modulus

        button = {
            "slot_length": data["slot_length"],
            "button_length": data["button_length"],
            "button_width": data["button_width"],
            "button_height": data["button_height"],
            "button_modulus": woods(data["button_wood"]),
            "mortise_length": data["mortise_length"],
            "mortise_width": data["mortise_width"],
        }
        changed = {
            **button,
            "button_length": data["other_length"],
            "button_height": data["other_button_height"],
            "button_modulus": woods(data["other_button_wood"]),
            "height": data["other_height"],
            "modulus": woods(data["other_stick_wood"]),
        }
        return self.key(**button), self.key(**changed)
