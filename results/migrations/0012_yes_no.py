"""Readings that are only yes or no, and the limit set on the analyser that they stand at."""

from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('results', '0011_assessment_facts'),
        ('screening', '0005_intake_bench'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.AddField(
            model_name='reading',
            name='qualitative',
            field=models.BooleanField(db_default=False, default=False, verbose_name='only yes or no'),
        ),
        migrations.AddField(
            model_name='result',
            name='qualitative',
            field=models.BooleanField(db_default=False, default=False),
        ),
        migrations.AddField(
            model_name='run',
            name='device_limit',
            field=models.DecimalField(decimal_places=3, max_digits=10, null=True, verbose_name='limit set on the analyser for its own yes or no, in that unit'),
        ),
        migrations.AddConstraint(
            model_name='reading',
            constraint=models.CheckConstraint(condition=models.Q(('qualitative', False), models.Q(('analyser_says', True), ('comparator', '>'), ('dilution', 1)), models.Q(('analyser_says', False), ('comparator', '<'), ('dilution', 1)), _connector='OR'), name='yes_or_no_stands_at_its_limit'),
        ),
        migrations.AddConstraint(
            model_name='result',
            constraint=models.CheckConstraint(condition=models.Q(('qualitative', False), models.Q(('comparator', '>'), ('reported_ug_g', models.F('cutoff_ug_g')), ('side', 'at_or_above')), models.Q(('comparator', '<'), ('reported_ug_g', models.F('cutoff_ug_g')), ('side', 'below')), _connector='OR'), name='yes_or_no_rests_on_the_cutoff'),
        ),
        migrations.AddConstraint(
            model_name='run',
            constraint=models.CheckConstraint(condition=models.Q(('device_limit__isnull', True), ('device_limit__gt', 0), _connector='OR'), name='device_limit_above_zero'),
        ),
    ]
