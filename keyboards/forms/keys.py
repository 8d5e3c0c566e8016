"""The key that is played in calculation: its stick, slot, shoe and plate, and their woods."""

from dataclasses import replace
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from keyboards.core.flex import WOODS, KeyGeometry
from keyboards.forms.numbers import AskedForm, LengthField

_FROM_MEMORY = gettext_lazy("%(wood)s (from memory)")


def wood_title(code: str) -> str:
    """A wood as it is chosen; marked where its figures are from memory."""
    wood = WOODS[code]
    title = str(wood_names()[code])
    return str(_FROM_MEMORY) % {"wood": title} if wood.from_memory else title


def wood_names() -> dict[str, str]:
    """The woods by their common names."""
    return {
        "sugar_maple": _("sugar maple"),
        "american_basswood": _("American basswood"),
        "yellow_poplar": _("yellow-poplar"),
        "engelmann_spruce": _("Engelmann spruce"),
        "sugar_pine": _("sugar pine"),
        "sitka_spruce": _("Sitka spruce"),
    }


def wood_choices() -> list[tuple[str, str]]:
    return [(code, wood_title(code)) for code in WOODS]


def size(label: Any, start: float, *, low: float = 0.5, high: float = 400, **kwargs: Any) -> LengthField:
    """A length of the key with its starting value in mm."""
    return LengthField(label=label, low=low, high=high, start=start, **kwargs)


def wood(label: Any, start: str) -> forms.ChoiceField:
    return forms.ChoiceField(label=label, initial=start, choices=wood_choices)


class KeyForm(AskedForm):
    """Everything about a key but its button. Zero means: not there."""

    front_arm = size(gettext_lazy("Playing end to balance pin"), 220, low=50)
    rear_arm = size(gettext_lazy("Balance pin to capstan"), 130, low=30)
    stick_width = size(gettext_lazy("Stick, width at the pin"), 13, low=5, high=40)
    stick_height = size(gettext_lazy("Stick, height at the pin"), 24, low=5, high=60)
    slot_width = size(gettext_lazy("Slot, width"), 5.5, low=0, high=20)
    slot_depth = size(gettext_lazy("Slot, depth"), 18, low=0, high=50)
    hole = size(gettext_lazy("Balance hole"), 3.7, low=0, high=10)
    stick_wood = wood(gettext_lazy("Wood of the stick"), "sitka_spruce")
    shoe_length = size(gettext_lazy("Shoe below, length"), 0, low=0, high=200)
    shoe_height = size(gettext_lazy("Shoe below, height"), 0, low=0, high=20)
    shoe_wood = wood(gettext_lazy("Wood of the shoe"), "sugar_maple")
    plate_length = size(gettext_lazy("Plate under the button, length"), 0, low=0, high=200)
    plate_height = size(gettext_lazy("Plate under the button, height"), 0, low=0, high=20)
    plate_wood = wood(gettext_lazy("Wood of the plate"), "sugar_maple")
    arguments = {"width": "stick_width", "height": "stick_height", "hole_diameter": "hole"}

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        self.order("slot_width", "stick_width", _("The stick must be wider than its slot."))
        self.order("slot_depth", "stick_height", _("The stick must be higher than its slot is deep."))
        self.order("hole", "stick_width", _("The stick must be wider than its balance hole."))
        arms = [data[name] for name in ("front_arm", "rear_arm") if data.get(name) is not None]
        if arms:
            for name in ("shoe_length", "plate_length", "slot_length", "button_length", "mortise_length"):
                value = data.get(name)
                if value is not None and value > 2 * min(arms):
                    self.add_error(name, ValidationError(_("Longer than twice the shorter arm of the key.")))
        return data

    def key(self, **button: float) -> KeyGeometry:
        """The geometry, without a button unless its sizes are given. MeasurementError where sizes clash."""
        data = self.cleaned_data
        bare = KeyGeometry(
            front_arm=data["front_arm"],
            rear_arm=data["rear_arm"],
            width=data["stick_width"],
            height=data["stick_height"],
            modulus=WOODS[data["stick_wood"]].modulus,
            slot_length=0,
            slot_width=data["slot_width"],
            slot_depth=data["slot_depth"],
            hole_diameter=data["hole"],
            button_length=0,
            shoe_length=data["shoe_length"],
            shoe_height=data["shoe_height"],
            shoe_modulus=WOODS[data["shoe_wood"]].modulus,
            plate_length=data["plate_length"],
            plate_height=data["plate_height"],
            plate_modulus=WOODS[data["plate_wood"]].modulus,
            mortise_length=0,
            mortise_width=0,
        )
        return replace(bare, **button)
