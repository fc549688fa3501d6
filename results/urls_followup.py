"""Addresses of follow-up."""

from django.urls import path

from results.views import after, attendance, queue, referral

urlpatterns = [
    path("follow-up/", queue.queue, name="queue"),
    path("follow-up/after/", after.after_calls, name="after-calls"),
    path("follow-up/surveillance/", after.surveillance, name="surveillance"),
    path("follow-up/cancers/", after.cancers, name="cancers"),
    path("follow-up/attended/", attendance.attended, name="attended"),
    path("follow-up/attended/<int:pk>/", attendance.attended_answer, name="attended-answer"),
    path("follow-up/attended/<int:pk>/back/", attendance.attended_take_back, name="attended-take-back"),
    path("follow-up/<int:pk>/", referral.referral, name="referral"),
    path("follow-up/<int:pk>/<slug:slug>/", referral.referral_do, name="referral-do"),
]
