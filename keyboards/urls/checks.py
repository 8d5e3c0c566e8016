"""Checks, readings, findings, photos, measuring instruments. `bench/checks/<pk>/` itself is the bench run."""

from django.urls import path

from keyboards.views import entries

urlpatterns = [
    path("bench/token/", entries.bench_token, name="bench_token"),
    path("bench/checks/<int:pk>/operations/", entries.operations, name="operations"),
]
