"""Checks, readings, findings, photos."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
