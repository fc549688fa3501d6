"""Dated versions of analysers and kit models, slip checks, and typing again alone after half an hour (R14)."""

import datetime
import django.db.models.deletion
import django.db.models.expressions
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('results', '0012_yes_no'),
        ('screening', '0005_intake_bench'),
        ('staff', '0002_journal_and_system_user'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name='AnalyserVersion',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('code', models.CharField(max_length=20, verbose_name='code')),
                ('name', models.CharField(max_length=60, verbose_name='name')),
                ('usual_unit', models.CharField(choices=[('ng/mL', 'ng/mL'), ('ug/g', 'µg/g')], max_length=6, verbose_name='usual unit')),
                ('positions', models.SmallIntegerField(default=1, verbose_name='vials side by side')),
                ('valid_from', models.DateField(verbose_name='in force from')),
                ('analyser', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='versions', to='results.analyser')),
                ('confirmed_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('entered_by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('site', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='staff.site', verbose_name='laboratory')),
            ],
            options={
                'ordering': ['code', '-valid_from', '-pk'],
                'constraints': [
                    models.CheckConstraint(condition=models.Q(('positions__range', (1, 200))), name='analyser_positions_are_plausible'),
                    models.CheckConstraint(condition=models.Q(models.Q(('analyser__isnull', True), ('confirmed_by__isnull', True)), models.Q(('analyser__isnull', False), models.Q(('confirmed_by', models.F('entered_by')), _negated=True), ('confirmed_by__isnull', False)), _connector='OR'), name='analyser_version_in_force_by_a_second_person'),
                ],
            },
        ),
        migrations.CreateModel(
            name='KitModelProposal',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('name', models.CharField(max_length=60, verbose_name='name')),
                ('leaflet', models.CharField(max_length=120, verbose_name='leaflet and edition')),
                ('stool_mg', models.DecimalField(decimal_places=3, max_digits=6, verbose_name='stool mass, mg')),
                ('buffer_ml', models.DecimalField(decimal_places=3, max_digits=6, verbose_name='buffer volume, mL')),
                ('lod_ug_g', models.DecimalField(decimal_places=3, max_digits=8, verbose_name='limit of detection, µg/g')),
                ('loq_ug_g', models.DecimalField(decimal_places=3, max_digits=8, verbose_name='limit of quantitation, µg/g')),
                ('upper_ug_g', models.DecimalField(decimal_places=3, max_digits=8, verbose_name='upper limit, µg/g')),
                ('sample_age_limit_days', models.SmallIntegerField(default=14, verbose_name='oldest sample, days')),
                ('valid_from', models.DateField(verbose_name='from')),
                ('confirmed_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('entered_by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('kit_model', models.OneToOneField(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='proposal', to='screening.kitmodel')),
            ],
            options={
                'ordering': ['name', '-valid_from', '-pk'],
                'constraints': [
                    models.CheckConstraint(condition=models.Q(models.Q(('confirmed_by__isnull', True), ('kit_model__isnull', True)), models.Q(('kit_model__isnull', False), models.Q(('confirmed_by', models.F('entered_by')), _negated=True), ('confirmed_by__isnull', False)), _connector='OR'), name='kit_model_in_force_by_a_second_person'),
                ],
            },
        ),
        migrations.CreateModel(
            name='SlipCheck',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('expected', models.TextField()),
                ('shift', models.SmallIntegerField(null=True)),
                ('checked_at', models.DateTimeField()),
                ('checked_by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('run', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='slip_checks', to='results.run')),
            ],
            options={
                'ordering': ['-pk'],
            },
        ),
        migrations.RemoveConstraint(
            model_name='typedreading',
            name='typed_again_by_another_person',
        ),
        migrations.AddConstraint(
            model_name='typedreading',
            constraint=models.CheckConstraint(condition=models.Q(('again_by__isnull', True), models.Q(('again_by', models.F('typed_by')), _negated=True), ('again_at__gte', django.db.models.expressions.CombinedExpression(models.F('typed_at'), '+', models.Value(datetime.timedelta(seconds=1800)))), _connector='OR'), name='typed_again_by_another_or_after_half_an_hour'),
        ),
    ]
