"""The records: search, clients, instruments."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
