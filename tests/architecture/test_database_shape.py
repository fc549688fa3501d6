"""The database holds every constraint and index that the models declare, and holds them under these names."""

import pytest
from django.apps import apps
from django.db import connection, models

PARTS = ("staff", "screening", "results", "outreach", "oversight")
MODELS = [model for part in PARTS for model in apps.get_app_config(part).get_models() if model._meta.managed]


@pytest.mark.django_db
@pytest.mark.parametrize("model", MODELS, ids=lambda model: model._meta.label)
def test_every_declared_constraint_and_index_is_there(model: type[models.Model]) -> None:
    declared = {c.name for c in model._meta.constraints} | {i.name for i in model._meta.indexes}
    with connection.cursor() as cursor:
        there = set(connection.introspection.get_constraints(cursor, model._meta.db_table))
    assert declared - there == set()
