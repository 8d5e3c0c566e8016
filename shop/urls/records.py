"""The records: search, clients, instruments."""

from django.urls import path

from shop.views import records

urlpatterns = [
    path("records/", records.records, name="records"),
    path("records/searches/", records.search_keep_as, name="search_keep_as"),
    path("records/searches/<int:search_id>/forget/", records.search_drop, name="search_drop"),
    path("records/instruments/<int:instrument_id>/", records.instrument_detail, name="instrument_detail"),
    path("records/clients/<int:client_id>/", records.client_detail, name="client_detail"),
]
