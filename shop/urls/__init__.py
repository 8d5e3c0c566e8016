"""Addresses. Those on printed QR codes and in bookmarks never change: see DEVELOPERS.md."""

from django.urls import include, path, register_converter

from shop.core import tags
from shop.views import factors, health, home, people, sessions, tablets


class TagConverter:
    """K-0147 in an address <-> 147 in a view."""

    regex = r"[Kk]-\d{4,9}"

    def to_python(self, value: str) -> int:
        return tags.parse_job_tag(value)

    def to_url(self, value: int) -> str:
        return tags.job_tag(value)


class EstimateNumberConverter:
    """E-0312 in an address <-> 312 in a view."""

    regex = r"[Ee]-\d{4,9}"

    def to_python(self, value: str) -> int:
        return tags.parse_estimate_number(value)

    def to_url(self, value: int) -> str:
        return tags.estimate_number(value)


register_converter(TagConverter, "tag")
register_converter(EstimateNumberConverter, "estimate")

urlpatterns = [
    path("", home.home, name="home"),
    path("health/", health.health, name="health"),
    path("sign-in/", people.sign_in, name="sign_in"),
    path("sign-in/code/", factors.sign_in_code, name="sign_in_code"),
    path("sign-in/second-step/", factors.factor_set_up, name="factor_set_up"),
    path("change-person/", tablets.change_person, name="change_person"),
    path("change-person/<int:person_id>/", tablets.change_person_to, name="change_person_to"),
    path("sign-out/", people.sign_out, name="sign_out"),
    path("me/", people.person_settings, name="person_settings"),
    path("me/signing-in/", factors.factor, name="factor"),
    path("me/signing-in/out-everywhere/", sessions.signed_out_everywhere, name="signed_out_everywhere"),
    path("me/signing-in/sessions/<slug:which>/end/", sessions.session_end, name="session_end"),
    path("me/signing-in/pin/", factors.quick_pin, name="quick_pin"),
    path("me/signing-in/<slug:what>/", factors.factor_change, name="factor_change"),
    path("", include("shop.urls.counter")),
    path("", include("shop.urls.office")),
    path("", include("shop.urls.bench")),
    path("", include("shop.urls.records")),
    path("", include("keyboards.urls")),
]

handler500 = "shop.views.faults.server_error"
