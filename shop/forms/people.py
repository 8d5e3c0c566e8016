"""What people type about themselves."""

from django import forms

from shop.models import Person


class PersonSettingsForm(forms.ModelForm):
    """How a person likes to read and type."""

    class Meta:
        model = Person
        fields = ["units", "left_handed", "sound", "decimal_by_position"]
        widgets = {"units": forms.RadioSelect}
