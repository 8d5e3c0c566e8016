"""Which keys came in: the compass, the missing and broken ones, the numbers stamped on them; and the photos."""

from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from keyboards.core.errors import MeasurementError
from keyboards.core.keys import Compass as Keys
from keyboards.core.keys import format_keys
from keyboards.images import LARGEST_FILE
from keyboards.models import Compass
from keyboards.words import wrong_with

# Keys and first note of the usual compasses. 88 and 85 from A0 are common practice for the piano; 73 (six octaves
# from F) and 61 (five from C) are from memory, and the first note may always be written instead.
PRESETS = {"88": (88, "A0"), "85": (85, "A0"), "73": (73, "F1"), "61": (61, "C2")}
OTHER = "other"
FULL = "88"
_NOTES = 12
_MOST = 128


def note_number(name: str) -> int:
    """MIDI number of a note by its name: "A0" -> 21. MeasurementError with a sentence."""
    everything = Keys(first_midi=_NOTES, count=_MOST - _NOTES)
    return everything.midi(everything.named(name))


def _preset_words(count: int, first: str) -> str:
    keys = Keys(first_midi=note_number(first), count=count)
    return _("%(count)d keys, %(first)s to %(last)s") % {"count": count, "first": first, "last": keys.name(count)}


class CompassForm(forms.Form):
    """cleaned_data: first_midi, count, missing, broken (lists of key numbers), stamps."""

    compass = forms.ChoiceField(label=gettext_lazy("Compass"), widget=forms.RadioSelect, initial=FULL)
    first_note = forms.CharField(
        label=gettext_lazy("First note"), max_length=4, required=False, help_text=gettext_lazy("Such as A0 or F1.")
    )
    count = forms.IntegerField(
        label=gettext_lazy("Count of keys"),
        required=False,
        min_value=1,
        max_value=_MOST - _NOTES,
        widget=forms.TextInput(attrs={"inputmode": "numeric", "class": "figure", "maxlength": 12}),
    )
    missing = forms.CharField(
        label=gettext_lazy("Missing keys"),
        max_length=400,
        required=False,
        help_text=gettext_lazy("Such as 1-5, 12, C3 to G4. Empty: none."),
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    broken = forms.CharField(
        label=gettext_lazy("Broken keys"),
        max_length=400,
        required=False,
        help_text=gettext_lazy("Here, but not in one piece."),
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    stamps = forms.CharField(
        label=gettext_lazy("Numbers stamped on the keys"),
        max_length=120,
        required=False,
        help_text=gettext_lazy("As read: 1 to 88, another count, or none."),
    )

    def __init__(self, *args: Any, **kwargs: Any):
        super().__init__(*args, **kwargs)
        words = [(slug, _preset_words(count, first)) for slug, (count, first) in PRESETS.items()]
        self.fields["compass"].choices = [*words, (OTHER, _("another compass"))]  # type: ignore[attr-defined]

    @classmethod
    def of(cls, compass: Compass, data: Any = None) -> "CompassForm":
        """The form for a set whose keys are known."""
        keys = compass.keys
        first = keys.name(1)
        preset = next((slug for slug, pair in PRESETS.items() if pair == (compass.count, first)), OTHER)
        return cls(
            data,
            initial={
                "compass": preset,
                "first_note": first,
                "count": compass.count,
                "missing": format_keys(compass.missing),
                "broken": format_keys(compass.broken),
                "stamps": compass.stamps,
            },
        )

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        keys = self._keys(data)
        if keys is None:
            return data
        data["first_midi"], data["count"] = keys.first_midi, keys.count
        for name in ("missing", "broken"):
            data[name] = self._written(keys, name, data.get(name, ""))
        if data["missing"] is not None and data["broken"] is not None:
            both = sorted(set(data["missing"]) & set(data["broken"]))
            if both:
                self.add_error(
                    "broken",
                    ValidationError(
                        ngettext(
                            "Key %(keys)s cannot be missing and broken.",
                            "Keys %(keys)s cannot be missing and broken.",
                            len(both),
                        )
                        % {"keys": format_keys(both)}
                    ),
                )
            if len(data["missing"]) == keys.count:
                self.add_error("missing", ValidationError(_("Every key is missing: then no set came in.")))
        return data

    def _keys(self, data: dict[str, Any]) -> Keys | None:
        preset = data.get("compass")
        if preset in PRESETS:
            count, first = PRESETS[preset]
            for unused in ("first_note", "count"):  # not shown for a preset, whatever was typed there before
                self.errors.pop(unused, None)
            return Keys(first_midi=note_number(first), count=count)
        if preset != OTHER or "count" in self.errors or "first_note" in self.errors:
            return None
        name, number = data.get("first_note", "").strip(), data.get("count")
        if not name:
            self.add_error("first_note", ValidationError(_("Write the first note, such as A0.")))
        if not number:
            self.add_error("count", ValidationError(_("Write how many keys it has.")))
        if not name or not number:
            return None
        try:
            first_midi = note_number(name)
        except MeasurementError as error:
            self.add_error("first_note", ValidationError(wrong_with(error)))
            return None
        try:
            return Keys(first_midi=first_midi, count=number)
        except MeasurementError as error:
            self.add_error("count", ValidationError(wrong_with(error)))
            return None

    def _written(self, keys: Keys, name: str, text: str) -> list[int] | None:
        if not text.strip():
            return []
        try:
            return list(keys.parse(text))
        except MeasurementError as error:
            self.add_error(name, ValidationError(wrong_with(error)))
            return None


class ManyFiles(forms.ClearableFileInput):
    """A picker for several files."""

    allow_multiple_selected = True


class PhotosField(forms.FileField):
    """cleaned: a list of uploaded files, none too many and none too large. What is in them is checked when they
    are decoded."""

    widget = ManyFiles
    MOST = 20

    def clean(self, data: Any, initial: Any = None) -> list[Any]:
        given = data if isinstance(data, list) else [data] if data else []
        if len(given) > self.MOST:
            raise ValidationError(_("At most %(most)d photos at once.") % {"most": self.MOST})
        files = [super(PhotosField, self).clean(one, initial) for one in given]
        for file in files:
            if file.size > LARGEST_FILE:
                raise ValidationError(
                    _("%(name)s is larger than %(size)d MB.")
                    % {"name": file.name[:60], "size": LARGEST_FILE // (1024 * 1024)}
                )
        return files


class PhotosForm(forms.Form):
    """Photos of the set as it came."""

    photos = PhotosField(
        label=gettext_lazy("Choose or take photos"),
        required=False,
        help_text=gettext_lazy(
            "The whole row from above, the pencilled cross over the set, any damage. Several at once."
        ),
        widget=ManyFiles(attrs={"accept": "image/*", "hx-preserve": "true"}),
    )
