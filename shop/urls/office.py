"""The office: prices, estimates, letters, what waits for whom."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
