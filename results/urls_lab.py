"""Addresses of the laboratory's pages."""

from django.urls import path

from results.views import bench, charts, lab, messages, readings, reference, release

urlpatterns = [
    path("lab/day/", lab.open_day, name="open-day"),
    path("lab/day/<int:pk>/close/", bench.day_close_page, name="day-close"),
    path("lab/paper/", bench.paper, name="paper"),
    path("lab/typed/", bench.typed, name="typed"),
    path("lab/runs/<int:pk>/samples/", bench.run_samples, name="run-samples"),
    path("lab/places/<int:pk>/capture/", bench.place_capture, name="place-capture"),
    path("lab/places/<int:pk>/park/", bench.place_park, name="place-park"),
    path("lab/controls/", reference.controls, name="controls"),
    path("lab/enter/<slug:kind>/", reference.enter, name="enter"),
    path("lab/confirm/<slug:kind>/<int:pk>/", reference.confirm, name="confirm"),
    path("lab/lots/", reference.lots, name="lots"),
    path("lab/lots/<int:pk>/", reference.lot, name="lot"),
    path("lab/charts/", charts.charts, name="charts"),
    path("lab/charts/month/", charts.month, name="month"),
    path("lab/control-readings/<int:pk>/comment/", charts.comment, name="control-comment"),
    path("lab/runs/<int:pk>/", lab.run_page, name="run"),
    path("lab/runs/<int:pk>/controls/", lab.run_controls, name="run-controls"),
    path("lab/runs/<int:pk>/close/", lab.run_end, name="run-close"),
    path("lab/runs/<int:pk>/settle/", lab.run_settle, name="run-settle"),
    path("lab/runs/<int:pk>/load/", readings.run_load, name="run-load"),
    path("lab/runs/<int:pk>/off/<int:sample_pk>/", lab.sample_off, name="sample-off"),
    path("lab/readings/", readings.readings, name="readings"),
    path("lab/readings/<int:pk>/", readings.readings_file, name="readings-file"),
    path("lab/readings/<int:pk>/refused.csv", readings.readings_refused, name="readings-refused"),
    path("lab/readings/<int:pk>/go-on/", readings.readings_gap, name="readings-gap"),
    path("lab/lines/<int:pk>/settle/", readings.line_done, name="line-settle"),
    path("lab/messages/", messages.messages_page, name="messages"),
    path("lab/messages/<int:pk>/", messages.message_page, name="message"),
    path("lab/messages/<int:pk>/settle/", messages.message_done, name="message-settle"),
    path("lab/messages/<int:pk>/retry/", messages.message_again, name="message-retry"),
    path("release/", release.release, name="release"),
    path("release/below/", release.release_below, name="release-below"),
    path("release/<int:pk>/", release.release_one, name="release-one"),
    path("people/<int:person_id>/results/", release.person_panel, name="person-panel"),
]
