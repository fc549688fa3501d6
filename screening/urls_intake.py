"""Addresses of the post: deliveries, the bench, its cards, and the set-asides."""

from django.urls import URLPattern, path

from screening.views import post, post_bench, post_cards, post_lists, set_asides

urlpatterns: list[URLPattern] = [
    path("post/", post.post, name="post"),
    path("post/session", post.session, name="post-session"),
    path("post/first", post.first_scan, name="post-first"),
    path("post/practice/", post.practice, name="post-practice"),
    path("post/practice/kits.pdf", post_cards.practice_pdf, name="post-practice-pdf"),
    path("post/delivery/<int:delivery_id>/", post.delivery, name="post-delivery"),
    path("post/cards/", post_cards.cards, name="post-cards"),
    path("post/cards/all.pdf", post_cards.cards_pdf, name="post-cards-pdf"),
    path("post/cards/<str:code>.svg", post_cards.card, name="post-card"),
    path("post/tray/<int:tray_id>.pdf", post_cards.tray_pdf, name="post-tray"),
    path("post/<int:session_id>/", post_bench.bench, name="post-bench"),
    path("post/<int:session_id>/scan", post_bench.scan, name="post-scan"),
    path("post/<int:session_id>/state", post_bench.state, name="post-state"),
    path("post/<int:session_id>/slip.pdf", post_cards.slip_pdf, name="post-slip"),
    path("post/<int:session_id>/close", post_bench.close, name="post-close"),
    path("post/undelivered/", post_lists.undelivered, name="post-undelivered"),
    path("notes/", post_lists.notes, name="notes"),
    path("notes/<int:return_id>/done", post_lists.note_done, name="note-done"),
    path("rounds/<int:pk>/hand-over", post_lists.hand_over, name="hand-over"),
    path("set-asides/rules/", post_lists.rules, name="rule-costs"),
    path("set-asides/", set_asides.set_asides, name="set-asides"),
    path("set-asides/<int:return_id>/", set_asides.set_aside, name="set-aside"),
]
