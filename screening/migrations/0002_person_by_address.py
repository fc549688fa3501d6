"""Finds who lives at the same address, for kits swapped within a household."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("screening", "0001_initial")]
    operations = [
        migrations.AddIndex(
            model_name="person",
            index=models.Index(fields=["postcode", "address_1"], name="person_by_address"),
        )
    ]
