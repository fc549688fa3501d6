"""Addresses of the register, the batches and the people."""

from django.urls import path

from screening.views import batches, corrections, exclusions, journal, people, protocols, register, stock

urlpatterns = [
    path("register/", register.register, name="register"),
    path("register/compare/", register.compare, name="register-compare"),
    path("register/<int:pk>/", register.load, name="register-load"),
    path("register/<int:pk>/apply/", register.load_apply, name="register-apply"),
    path("register/<int:pk>/discard/", register.load_discard, name="register-discard"),
    path("register/<int:pk>/refused.csv", register.load_refused, name="register-refused"),
    path("invite/", batches.batches, name="batches"),
    path("invite/stock/", stock.stock, name="stock"),
    path("invite/replacements/", batches.replacements, name="replacements"),
    path("invite/waiting/<int:pk>/send/", batches.waiting_send, name="waiting-send"),
    path("invite/waiting/<int:pk>/close/", batches.waiting_close, name="waiting-close"),
    path("invite/<int:pk>/", batches.batch, name="batch"),
    path("invite/<int:pk>/dispatch/", batches.dispatch, name="batch-dispatch"),
    path("people/find/", people.search, name="search"),
    path("people/<int:pk>/", people.person, name="person"),
    path("people/<int:pk>/stop/", people.person_stop, name="person-stop"),
    path("people/<int:pk>/stop/<int:stop_id>/end/", people.person_stop_end, name="person-stop-end"),
    path("people/<int:pk>/postpone/", people.person_postpone, name="person-postpone"),
    path("people/<int:pk>/exclude/", exclusions.exclude, name="person-exclude"),
    path("exclusions/<int:pk>/", exclusions.exclusion, name="exclusion"),
    path("people/<int:pk>/correct/", corrections.correct, name="person-correct"),
    path("people/<int:pk>/death/", corrections.death, name="person-death"),
    path("protocol/", protocols.protocols, name="protocols"),
    path("protocol/<int:pk>/", protocols.protocol, name="protocol"),
    path("protocol/<int:pk>/look/", protocols.protocol_look, name="protocol-look"),
    path("protocol/<int:pk>/decide/", protocols.protocol_decide, name="protocol-decide"),
    path("journal/", journal.journal, name="journal"),
    path("second-look/", corrections.second_look, name="second-look"),
    path("second-look/death/<int:pk>/", corrections.death_decided, name="death-decide"),
    path("kits/<int:pk>/lost/", people.kit_lost, name="kit-lost"),
]
