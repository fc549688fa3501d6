"""Addresses of this part."""

from django.urls import URLPattern, path

from outreach.views import letters, mail

app_name = "outreach"
urlpatterns: list[URLPattern] = [
    path("mail/", mail.mail, name="mail"),
    path("mail/print/", mail.run_make, name="print-run-make"),
    path("mail/held/<int:pk>/", mail.held_decide, name="held-decide"),
    path("mail/runs/<int:pk>/", mail.print_run, name="print-run"),
    path("mail/runs/<int:pk>/pull/", mail.run_pull, name="print-run-pull"),
    path("mail/runs/<int:pk>/hand-over/", mail.run_hand_over, name="print-run-hand-over"),
    path("mail/runs/<int:pk>/try-again/", mail.run_try_again, name="print-run-try-again"),
    path("mail/runs/<int:pk>/document/", mail.run_document, name="print-run-document"),
    path("mail/runs/<int:pk>/manifest/", mail.run_manifest, name="print-run-manifest"),
    path("letters/<int:pk>/pdf/", letters.letter_pdf, name="letter-pdf"),
    path("letters/about/look-back/<int:pk>/", letters.look_back_panel, name="look-back-panel"),
    path("letters/about/batch/<int:pk>/", letters.batch_panel, name="batch-panel"),
    path("letters/about/round/<int:pk>/", letters.round_panel, name="round-panel"),
    path("letters/about/sample/<int:pk>/preview.pdf", letters.result_preview, name="result-preview"),
    path("letters/of/<int:person_id>/", letters.person_panel, name="person-panel"),
]
