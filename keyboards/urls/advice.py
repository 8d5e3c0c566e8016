"""Advice, decisions, button specs; what an estimate takes from them."""

from django.urls import path

from keyboards.views import pricing

urlpatterns = [
    path("estimate/<str:token>/photos/<uuid:op>.jpg", pricing.estimate_photo, {"size": "large"}, name="estimate_photo"),
    path(
        "estimate/<str:token>/photos/<uuid:op>/small.jpg",
        pricing.estimate_photo,
        {"size": "small"},
        name="estimate_photo_small",
    ),
]
