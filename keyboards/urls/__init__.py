"""Addresses of the trade: checks and readings, advice, proof, tools for the bench."""

from django.urls import include, path

urlpatterns = [
    path("", include("keyboards.urls.compasses")),
    path("", include("keyboards.urls.checks")),
    path("", include("keyboards.urls.advice")),
    path("", include("keyboards.urls.proof")),
    path("", include("keyboards.urls.tools")),
]
