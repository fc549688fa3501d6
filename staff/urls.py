"""Addresses of the ground floor."""

from django.urls import path

from staff.views import accounts, calendars, clients, pages

app_name = "staff"
urlpatterns = [
    path("", pages.home, name="home"),
    path("sign-in/", pages.SignIn.as_view(), name="sign-in"),
    path("closed-days/", calendars.calendar, name="calendar"),
    path("closed-days/<int:pk>/open/", calendars.calendar_open, name="calendar-open"),
    path("closed-days/post/<int:pk>/", calendars.calendar_post, name="calendar-post"),
    path("sign-out/", pages.SignOut.as_view(), name="sign-out"),
    path("accounts/", accounts.accounts, name="accounts"),
    path("accounts/<int:pk>/close/", accounts.close, name="account-close"),
    path("programs/", clients.clients, name="clients"),
    path("programs/<int:pk>/token/", clients.token, name="client-token"),
    path("programs/<int:pk>/revoke/", clients.revoke, name="client-revoke"),
]
