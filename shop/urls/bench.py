"""The bench: what to do next, stages of a route."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
