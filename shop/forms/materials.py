"""Materials, their lots, what is wrong with one."""

from decimal import Decimal

from django import forms
from django.utils.translation import gettext_lazy as _

from shop.models import Lot, Material


class MaterialForm(forms.ModelForm):
    """A material; the thickness of cloth is typed in millimetres and kept in micrometres."""

    thickness_mm = forms.DecimalField(
        label=_("Thickness of the cloth"),
        min_value=Decimal("0.2"),
        max_value=Decimal("5"),
        max_digits=4,
        decimal_places=3,
        required=False,
        help_text=_("Measured on a folded stack of eight layers or more, divided."),
    )

    class Meta:
        model = Material
        fields = ["kind", "title", "note"]

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        if self.instance.pk and self.instance.thickness:
            self.fields["thickness_mm"].initial = Decimal(self.instance.thickness) / 1000

    def clean(self):
        data = super().clean() or {}
        if data.get("kind") == "cloth" and "thickness_mm" in data and not data["thickness_mm"]:
            self.add_error("thickness_mm", _("Cloth needs its thickness: the advice is reckoned with it."))
        return data

    def save(self, commit=True):
        thickness = self.cleaned_data.get("thickness_mm")
        self.instance.thickness = int(thickness * 1000) if thickness else None
        return super().save(commit)


class LotForm(forms.ModelForm):
    class Meta:
        model = Lot
        fields = ["code", "received_on"]
        widgets = {"received_on": forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")}

    def __init__(self, *args, material: Material, **kwargs):
        super().__init__(*args, **kwargs)
        self.instance.material = material

    def clean_code(self):
        code = self.cleaned_data["code"]
        if Lot.objects.filter(material=self.instance.material, code=code).exists():
            raise forms.ValidationError(_("This lot is on the shelf already."))
        return code
