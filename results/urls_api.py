"""Addresses of this part's doors for programs."""

from django.urls import path

from results.api import messages, referrals, release, runs
from results.api.steps import STEPS

app_name = "results-api"
urlpatterns = [
    path("analysers", runs.Analysers.as_view(), name="analysers"),
    path("runs", runs.Runs.as_view(), name="runs"),
    path("runs/<key:pk>", runs.OneRun.as_view(), name="run"),
    path("runs/<key:pk>/controls", runs.RunControls.as_view(), name="run-controls"),
    path("runs/<key:pk>/readings", runs.RunReadings.as_view(), name="run-readings"),
    path("runs/<key:pk>/close", runs.RunClose.as_view(), name="run-close"),
    path("readings-files/<key:pk>", runs.OneFile.as_view(), name="readings-file"),
    path("release-list", release.ReleaseList.as_view(), name="release-list"),
    path("release-list/below", release.ReleaseBelow.as_view(), name="release-below"),
    path("samples/<key:pk>/decision", release.SampleDecide.as_view(), name="sample-decide"),
    path("results", release.Results.as_view(), name="results"),
    path("results/<key:pk>/hl7", messages.ResultMessage.as_view(), name="result-message"),
    path("referrals", referrals.Referrals.as_view(), name="referrals"),
    path("referrals/<key:pk>", referrals.OneReferral.as_view(), name="referral"),
    *[
        path(f"referrals/<key:pk>/{slug}", view.as_view(), name=f"referral-{slug}")
        for slug, view in STEPS.items()
    ],
]
