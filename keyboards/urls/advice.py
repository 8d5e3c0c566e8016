"""Advice, decisions, button specs."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
