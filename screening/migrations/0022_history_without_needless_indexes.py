"""Indexes that nobody looks anything up by are no longer kept: of a person's area, and of what the history says of other tables."""

import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('screening', '0021_staged_lines_by_load'),
    ]

    operations = [
        migrations.AlterField(
            model_name='person',
            name='area',
            field=models.ForeignKey(blank=True, db_index=False, null=True, on_delete=django.db.models.deletion.PROTECT, to='screening.area'),
        ),
        migrations.AlterField(
            model_name='personhistory',
            name='area',
            field=models.ForeignKey(db_constraint=False, db_index=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', related_query_name='+', to='screening.area'),
        ),
        migrations.AlterField(
            model_name='personhistory',
            name='merged_into',
            field=models.ForeignKey(db_constraint=False, db_index=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', related_query_name='+', to='screening.person'),
        ),
        migrations.AlterField(
            model_name='personhistory',
            name='practice',
            field=models.ForeignKey(db_constraint=False, db_index=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', related_query_name='+', to='screening.practice'),
        ),
    ]
