"""The bench: what to do next, stages of a route, the shelf."""

from django.urls import path

from shop.views import bench, guides, materials, queue, stages

_stage = "jobs/<tag:number>/stages/<int:stage_id>/"

urlpatterns = [
    path("bench/", bench.bench, name="bench"),
    path("bench/queue/", queue.queue, name="queue"),
    path("bench/queue/habits/", queue.habits_accept, name="habits_accept"),
    path("bench/queue/calendars/", queue.feed_new, name="feed_new"),
    path("bench/queue/calendars/<int:feed_id>/withdraw/", queue.feed_withdraw, name="feed_withdraw"),
    path("calendar/<str:token>.ics", queue.feed, name="feed"),
    path(_stage, stages.stage_detail, name="stage_detail"),
    path(f"{_stage}begin/", stages.stage_begin, name="stage_begin"),
    path(f"{_stage}put-down/", stages.stage_put_down, name="stage_put_down"),
    path(f"{_stage}finish/", stages.stage_finish, name="stage_finish"),
    path(f"{_stage}skip/", stages.stage_skip, name="stage_skip"),
    path(f"{_stage}send-back/", stages.stage_send_back, name="stage_send_back"),
    path(f"{_stage}add/", stages.stage_add, name="stage_add"),
    path(f"{_stage}steps/", guides.stage_tick, name="stage_tick"),
    path(f"{_stage}hours/", stages.hours_book, name="hours_book"),
    path(f"{_stage}hours/<int:spell_id>/", stages.hours_correct, name="hours_correct"),
    path(f"{_stage}materials/", stages.use_record, name="use_record"),
    path("office/guides/", guides.guide_list, name="guide_list"),
    path("office/guides/<slug:kind>/", guides.guide_edit, name="guide_edit"),
    path("bench/materials/<int:material_id>/low/", materials.material_low, name="material_low"),
    path("bench/materials/", materials.material_list, name="material_list"),
    path("bench/materials/new/", materials.material_new, name="material_new"),
    path("bench/materials/<int:material_id>/", materials.material_edit, name="material_edit"),
    path("bench/materials/<int:material_id>/lots/", materials.lot_add, name="lot_add"),
    path("bench/lots/<int:lot_id>/", materials.lot_detail, name="lot_detail"),
    path("bench/lots/<int:lot_id>/bad/", materials.lot_found_bad, name="lot_found_bad"),
]
