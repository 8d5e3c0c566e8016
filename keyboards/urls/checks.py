"""Checks, readings, findings, photos, measuring instruments; the bench run and the box of a tablet."""

from django.urls import path

from keyboards.views import angles, cauls, checks, entries, gauges, old, photos, progress, readings, runs

urlpatterns = [
    path("jobs/<tag:number>/checks/new/", checks.check_begin, name="check_begin"),
    path("jobs/<tag:number>/checks/old/", old.old_readings, name="old_readings"),
    path("jobs/<tag:number>/checks/<int:pk>/", checks.check_detail, name="check_detail"),
    path("jobs/<tag:number>/checks/<int:pk>/edit/", checks.check_edit, name="check_edit"),
    path("jobs/<tag:number>/checks/<int:pk>/close/", checks.check_close, name="check_close"),
    path("jobs/<tag:number>/checks/<int:pk>/open/", checks.check_reopen, name="check_reopen"),
    path("jobs/<tag:number>/checks/<int:pk>/discard/", checks.check_discard, name="check_discard"),
    path("jobs/<tag:number>/checks/<int:pk>/cells/", readings.check_cells, name="check_cells"),
    path("jobs/<tag:number>/checks/<int:pk>/findings/", readings.check_findings, name="check_findings"),
    path("jobs/<tag:number>/checks/<int:pk>/readings.csv", readings.check_csv, name="check_csv"),
    path("jobs/<tag:number>/checks/<int:pk>/file/", readings.check_csv_read, name="check_csv_read"),
    path("jobs/<tag:number>/checks/<int:pk>/keys/<int:key>/", readings.key_detail, name="key_detail"),
    path("jobs/<tag:number>/checks/<int:pk>/keys/<int:key>/again/", readings.reading_again, name="reading_again"),
    path(
        "jobs/<tag:number>/checks/<int:pk>/keys/<int:key>/withdraw/",
        readings.reading_withdraw,
        name="reading_withdraw",
    ),
    path("jobs/<tag:number>/photos/", photos.photo_add, name="photo_add"),
    path("photos/<uuid:op>.jpg", photos.photo_show, name="photo_show"),
    path("photos/<uuid:op>/small.jpg", photos.photo_small, name="photo_small"),
    path("jobs/<tag:number>/stages/<int:stage_id>/tick/", progress.keys_tick, name="keys_tick"),
    path("jobs/<tag:number>/stages/<int:stage_id>/cauls/", cauls.cauls_used, name="cauls_used"),
    path("photos/<uuid:op>/angle/", angles.photo_angle, name="photo_angle"),
    path("photos/<uuid:op>/angle/reckon/", angles.angle_reckon, name="angle_reckon"),
    path("bench/checks/<int:pk>/", runs.check_run, name="check_run"),
    path("bench/box/", runs.box_contents, name="box_contents"),
    path("bench/worker.js", runs.bench_worker, name="bench_worker"),
    path("bench/token/", entries.bench_token, name="bench_token"),
    path("bench/checks/<int:pk>/operations/", entries.operations, name="operations"),
    path("bench/checks/<int:pk>/photos/", photos.photo_send, name="photo_send"),
    path("bench/gauges/", gauges.gauge_list, name="gauge_list"),
    path("bench/gauges/new/", gauges.gauge_add, name="gauge_add"),
    path("bench/gauges/<int:pk>/", gauges.gauge_edit, name="gauge_edit"),
    path("bench/findings/", gauges.finding_list, name="finding_list"),
    path("bench/findings/new/", gauges.finding_add, name="finding_add"),
    path("bench/findings/<slug:code>/", gauges.finding_edit, name="finding_edit"),
]
