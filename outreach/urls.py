"""Addresses of this part."""

from django.urls import URLPattern, path

from outreach.views import desk, desks, letters, mail, notices, packs, runs, texts, wishes

app_name = "outreach"
urlpatterns: list[URLPattern] = [
    path("mail/", mail.mail, name="mail"),
    path("mail/print/", mail.run_make, name="print-run-make"),
    path("mail/held/<int:pk>/", mail.held_decide, name="held-decide"),
    path("mail/runs/<int:pk>/", runs.print_run, name="print-run"),
    path("mail/runs/<int:pk>/pull/", runs.run_pull, name="print-run-pull"),
    path("mail/runs/<int:pk>/hand-over/", runs.run_hand_over, name="print-run-hand-over"),
    path("mail/runs/<int:pk>/try-again/", runs.run_try_again, name="print-run-try-again"),
    path("mail/runs/<int:pk>/document/", runs.run_document, name="print-run-document"),
    path("mail/runs/<int:pk>/manifest/", runs.run_manifest, name="print-run-manifest"),
    path("mail/runs/<int:pk>/check/", runs.run_check, name="print-run-check"),
    path("mail/runs/<int:pk>/reprint/", runs.run_reprint, name="print-run-reprint"),
    path("mail/runs/<int:pk>/file/", runs.run_file, name="print-run-file"),
    path("mail/reprints/<int:pk>/document/", runs.reprint_document, name="reprint-document"),
    path("mail/files/<int:pk>/parcel/", runs.file_parcel, name="file-parcel"),
    path("mail/pack/<int:pk>/", packs.pack, name="pack"),
    path("mail/pack/<int:pk>/opened/", packs.pack_opened, name="pack-opened"),
    path("mail/pack/<int:pk>/missing/", packs.pack_missing, name="pack-missing"),
    path("mail/manifests/", packs.manifests, name="manifests"),
    path("letters/about/batch/<int:pk>/preview.pdf", packs.batch_preview, name="batch-preview"),
    path("letters/about/batch/<int:pk>/unwritten/", packs.unwritten, name="batch-unwritten"),
    path("papers/", desk.paper, name="paper"),
    path("papers/back/", desk.paper_back, name="paper-back"),
    path("mail/undelivered/<int:pk>/", desk.undelivered_decide, name="undelivered-decide"),
    path("mail/messages/<int:pk>/", desk.doubt_decide, name="doubt-decide"),
    path("letters/texts/", texts.texts, name="texts"),
    path("letters/texts/<slug:kind>/", texts.text, name="text"),
    path("letters/texts/<slug:kind>/look/", texts.text_look, name="text-look"),
    path("letters/texts/<slug:kind>/propose/", texts.text_propose, name="text-propose"),
    path("letters/texts/<slug:kind>/<slug:language>/<slug:form>.pdf", texts.text_paper, name="text-paper"),
    path("notices/", notices.notices, name="notices"),
    path("notices/<int:pk>/again/", notices.again, name="notice-again"),
    path("notices/<int:pk>/settle/", notices.settle, name="notice-settle"),
    path("notices/of-practice/<int:pk>/again/", notices.practice_again, name="practice-again"),
    path("areas/desks/", desks.desks, name="desks"),
    path("letters/drafts/<int:pk>/", texts.text_decide, name="text-decide"),
    path("letters/of/<int:person_id>/wishes/", wishes.wishes, name="wishes"),
    path("letters/of/<int:person_id>/reply/", wishes.reply, name="reply"),
    path("letters/<int:pk>/pdf/", letters.letter_pdf, name="letter-pdf"),
    path("letters/about/look-back/<int:pk>/", letters.look_back_panel, name="look-back-panel"),
    path("letters/about/batch/<int:pk>/", letters.batch_panel, name="batch-panel"),
    path("letters/about/round/<int:pk>/", letters.round_panel, name="round-panel"),
    path(
        "letters/about/referral/<int:pk>/preview.pdf", letters.next_step_beforehand, name="next-step-preview"
    ),
    path("letters/about/sample/<int:pk>/preview.pdf", letters.result_preview, name="result-preview"),
    path("letters/of/<int:person_id>/", letters.person_panel, name="person-panel"),
]
