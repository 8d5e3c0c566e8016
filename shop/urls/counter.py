"""The counter: sets coming in, the rack, one job's page, its paper."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
