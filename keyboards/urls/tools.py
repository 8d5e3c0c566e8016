"""Tools for the bench, on a job or free."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
