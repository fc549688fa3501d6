"""Addresses of follow-up."""

from django.urls import path

from results.views import after, attendance, calendar, hands, places, policy, queue, referral, room

urlpatterns = [
    path("follow-up/", queue.queue, name="queue"),
    path("follow-up/after/", after.after_calls, name="after-calls"),
    path("follow-up/surveillance/", after.surveillance, name="surveillance"),
    path("follow-up/surveillance/take-up/", after.surveillance_begin, name="surveillance-take-up"),
    path("follow-up/re-offers/", after.re_offers, name="re-offers"),
    path("follow-up/re-offers/<int:pk>/", after.re_offer_done, name="re-offer-answer"),
    path("follow-up/cancers/", after.cancers, name="cancers"),
    path("follow-up/attended/", attendance.attended, name="attended"),
    path("follow-up/attended/<int:pk>/", attendance.attended_answer, name="attended-answer"),
    path("follow-up/attended/<int:pk>/back/", attendance.attended_take_back, name="attended-take-back"),
    path("follow-up/unconfirmed/", calendar.not_confirmed, name="unconfirmed"),
    path("follow-up/unconfirmed/<int:pk>/", calendar.not_confirmed_answer, name="unconfirmed-answer"),
    path("change-follow-up/", policy.follow_up_policy, name="follow-up-policy"),
    path("change-follow-up/<int:pk>/", policy.follow_up_policy_decide, name="follow-up-policy-decide"),
    path("change-follow-up/<int:pk>/plans/", policy.follow_up_policy_plans, name="follow-up-policy-plans"),
    path("room/", room.room, name="room"),
    path("follow-up/calendar/", calendar.calendar, name="calendar"),
    path("follow-up/calendar/begin/", calendar.calendar_begin, name="calendar-begin"),
    path("follow-up/calendar/lists/", calendar.calendar_lists, name="calendar-lists"),
    path("follow-up/calendar/lists/<int:pk>/", calendar.calendar_list, name="calendar-list"),
    path(
        "follow-up/calendar/lists/<int:pk>/cancel/",
        calendar.calendar_list_cancel,
        name="calendar-list-cancel",
    ),
    path("follow-up/calendar/close/", calendar.calendar_close, name="calendar-close"),
    path("follow-up/calendar/move/", calendar.calendar_move, name="calendar-move"),
    path("follow-up/calendar/<int:pk>/take-in/", calendar.calendar_take_in, name="calendar-take-in"),
    path("follow-up/places/<int:pk>/", places.held, name="place-held"),
    path("follow-up/hands/", hands.who_holds, name="hands"),
    path("follow-up/hands/level/", hands.level, name="hands-level"),
    path("follow-up/hands/area/", hands.assign_area, name="hands-area"),
    path("follow-up/hands/absence/", hands.absence_note, name="absence-note"),
    path("follow-up/hands/absence/<int:pk>/end/", hands.absence_end, name="absence-end"),
    path("follow-up/hands/away/<int:pk>/", hands.away, name="away"),
    path("follow-up/hands/of/<int:pk>/hand-over/", hands.hand_over_new, name="hand-over-new"),
    path("follow-up/hand-over/<int:pk>/", hands.hand_over, name="hand-over"),
    path("follow-up/<int:pk>/", referral.referral, name="referral"),
    path("follow-up/<int:pk>/places/", places.find, name="places"),
    path("follow-up/<int:pk>/places/take/", places.take, name="place-take"),
    path("follow-up/<int:pk>/<slug:slug>/", referral.referral_do, name="referral-do"),
]
