"""Addresses of this part."""

from django.urls import URLPattern, path

from oversight.views import dashboard, definition, exports, journal_age, known, net, proof, told

app_name = "oversight"
urlpatterns: list[URLPattern] = [
    path("how-are-we-doing/", dashboard.how_are_we_doing, name="dashboard"),
    path("how-are-we-doing/people/", dashboard.people_behind, name="people-behind"),
    path("how-are-we-doing/two-cohorts/", dashboard.two_cohorts, name="two-cohorts"),
    path("how-are-we-doing/examiners/", dashboard.examiners_page, name="examiners"),
    path("how-are-we-doing/definition/<str:key>/", definition.definition, name="definition"),
    path("how-are-we-doing/definition/<str:key>/give/", definition.give, name="give"),
    path("how-are-we-doing/definition/<str:key>/level/", definition.set_level, name="set-level"),
    path("how-are-we-doing/files/", exports.exports, name="exports"),
    path("how-are-we-doing/files/ask/", exports.ask, name="export-ask"),
    path("how-are-we-doing/files/<int:pk>/", exports.fetch, name="export-fetch"),
    path("how-are-we-doing/told/", told.told_figures, name="told"),
    path("how-are-we-doing/told/<int:pk>/take-back/", told.take_back, name="told-take-back"),
    path("how-are-we-doing/<str:page>/", dashboard.figures_page, name="figures"),
    path("journal-age/", journal_age.age_of_the_journal, name="journal-age"),
    path("journal-age/ask/", journal_age.ask, name="journal-ask"),
    path("journal-age/<int:pk>/agree/", journal_age.agree, name="journal-agree"),
    path("nobody-falls-through/", net.nobody_falls_through, name="proof"),
    path("nobody-falls-through/checks/", proof.checks, name="checks"),
    path("nobody-falls-through/ledgers/", net.ledgers, name="ledgers"),
    path("nobody-falls-through/list/<slug:name>/", net.net_list, name="net-list"),
    path("nobody-falls-through/list/<slug:name>/settle/", net.settle, name="net-settle"),
    path("nobody-falls-through/known/", known.known, name="known"),
    path("nobody-falls-through/known/<int:pk>/", known.known_of_person, name="known-person"),
    path("nobody-falls-through/statement/<str:day>/", net.statement, name="statement"),
    path("nobody-falls-through/continuity/<str:day>/", net.continuity, name="continuity"),
    path("nobody-falls-through/run/", proof.prove_now, name="prove-now"),
]
