"""Addresses of this part's doors for programs."""

from django.urls import path

from screening.api import batches, people, post, register

app_name = "screening-api"
urlpatterns = [
    path("register-loads", register.Loads.as_view(), name="register-loads"),
    path("register-loads/<key:pk>", register.Load.as_view(), name="register-load"),
    path("register-loads/<key:pk>/apply", register.LoadApply.as_view(), name="register-load-apply"),
    path("register-loads/<key:pk>/discard", register.LoadDiscard.as_view(), name="register-load-discard"),
    path("people", people.People.as_view(), name="people"),
    path("people/<key:pk>", people.OnePerson.as_view(), name="person"),
    path("batches", batches.Batches.as_view(), name="batches"),
    path("batches/<key:pk>", batches.OneBatch.as_view(), name="batch"),
    path("batches/<key:pk>/release", batches.BatchRelease.as_view(), name="batch-release"),
    path("batches/<key:pk>/dispatch", batches.BatchDispatch.as_view(), name="batch-dispatch"),
    path("deliveries", post.Deliveries.as_view(), name="deliveries"),
    path("deliveries/<key:pk>", post.OneDelivery.as_view(), name="delivery"),
    path("deliveries/<key:pk>/count", post.DeliveryCount.as_view(), name="delivery-count"),
    path("deliveries/<key:pk>/returns", post.Returns.as_view(), name="returns"),
]
