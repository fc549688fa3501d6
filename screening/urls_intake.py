"""Addresses of the post: deliveries, the bench, its cards, and the set-asides."""

from django.urls import URLPattern, path

from screening.views import post, set_asides

urlpatterns: list[URLPattern] = [
    path("post/", post.post, name="post"),
    path("post/session", post.session, name="post-session"),
    path("post/cards/", post.cards, name="post-cards"),
    path("post/cards/<str:code>.svg", post.card, name="post-card"),
    path("post/<int:session_id>/", post.bench, name="post-bench"),
    path("post/<int:session_id>/scan", post.scan, name="post-scan"),
    path("post/<int:session_id>/close", post.close, name="post-close"),
    path("set-asides/", set_asides.set_asides, name="set-asides"),
    path("set-asides/<int:return_id>/", set_asides.set_aside, name="set-aside"),
]
