"""Every question of the assessment, its outcomes and the re-check; assessments made before keep what they say."""

import django.db.models.deletion
from django.conf import settings
from django.contrib.postgres.operations import AddConstraintNotValid
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('results', '0020_hands'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.RemoveConstraint(
            model_name='assessment',
            name='blood_thinners_and_conditions_need_a_plan',
        ),
        migrations.RemoveConstraint(
            model_name='assessment',
            name='kidney_disease_needs_its_preparation',
        ),
        migrations.RemoveConstraint(
            model_name='assessment',
            name='interpreter_is_named',
        ),
        migrations.AddField(
            model_name='assessment',
            name='allergies',
            field=models.BooleanField(null=True, verbose_name='has allergies'),
        ),
        migrations.AddField(
            model_name='assessment',
            name='antiplatelets',
            field=models.BooleanField(null=True, verbose_name='takes medicine against clotting platelets'),
        ),
        migrations.AddField(
            model_name='assessment',
            name='consent_doubt',
            field=models.BooleanField(null=True, verbose_name='consent in doubt'),
        ),
        migrations.AddField(
            model_name='assessment',
            name='insulin',
            field=models.BooleanField(null=True, verbose_name='uses insulin'),
        ),
        migrations.AddField(
            model_name='assessment',
            name='iron',
            field=models.BooleanField(null=True, verbose_name='takes iron'),
        ),
        migrations.AddField(
            model_name='assessment',
            name='medicine_plan',
            field=models.TextField(blank=True, default='', verbose_name='plan for the medicines'),
        ),
        migrations.AddField(
            model_name='assessment',
            name='mobility',
            field=models.BooleanField(null=True, verbose_name='needs help'),
        ),
        migrations.AddField(
            model_name='assessment',
            name='pacemaker',
            field=models.BooleanField(null=True, verbose_name='has a pacemaker'),
        ),
        migrations.AddField(
            model_name='assessment',
            name='pregnancy',
            field=models.BooleanField(null=True, verbose_name='may be pregnant'),
        ),
        migrations.AddField(
            model_name='assessment',
            name='recheck_of',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='rechecks', to='results.assessment'),
        ),
        migrations.AddField(
            model_name='assessment',
            name='sleep_apnoea',
            field=models.BooleanField(null=True, verbose_name='has sleep apnoea'),
        ),
        migrations.AddField(
            model_name='assessment',
            name='until',
            field=models.DateField(null=True, verbose_name='unfit until'),
        ),
        migrations.AlterField(
            model_name='assessment',
            name='anticoagulants',
            field=models.BooleanField(null=True, verbose_name='takes blood thinners'),
        ),
        migrations.AlterField(
            model_name='assessment',
            name='diabetes',
            field=models.BooleanField(null=True, verbose_name='has diabetes'),
        ),
        migrations.AlterField(
            model_name='assessment',
            name='escort',
            field=models.BooleanField(null=True, verbose_name='has an escort home'),
        ),
        migrations.AlterField(
            model_name='assessment',
            name='interpreter',
            field=models.BooleanField(null=True, verbose_name='needs an interpreter'),
        ),
        migrations.AlterField(
            model_name='assessment',
            name='kidney_disease',
            field=models.BooleanField(null=True, verbose_name='has kidney disease'),
        ),
        migrations.AlterField(
            model_name='assessment',
            name='outcome',
            field=models.CharField(choices=[('fit', 'fit for colonoscopy'), ('conditions', 'fit with conditions'), ('alternative', 'another test (CT colonography)'), ('unfit_until', 'unfit until a day (a clinician)'), ('unfit', 'unfit for good: a clinician decides'), ('declines', 'declines: a clinician talks with the person'), ('doctor', "needs a doctor's decision")], max_length=12),
        ),
        migrations.AlterField(
            model_name='assessment',
            name='preparation',
            field=models.CharField(blank=True, choices=[('macrogol', 'with macrogol (PEG)'), ('magnesium', 'low volume, with magnesium'), ('phosphate', 'with sodium phosphate'), ('other', 'another, named in the plan')], default='', max_length=120, verbose_name='bowel preparation'),
        ),
        migrations.AddConstraint(
            model_name='assessment',
            constraint=models.CheckConstraint(condition=models.Q(('outcome__in', ['unfit_until', 'unfit', 'declines', 'doctor']), models.Q(('anticoagulants__isnull', False), ('diabetes__isnull', False), ('escort__isnull', False), ('interpreter__isnull', False), ('kidney_disease__isnull', False)), _connector='OR'), name='bookable_assessment_is_answered'),
        ),
        migrations.AddConstraint(
            model_name='assessment',
            constraint=models.CheckConstraint(condition=models.Q(('outcome__in', ['unfit_until', 'unfit', 'declines', 'doctor']), models.Q(('anticoagulants', False), models.Q(('outcome', 'conditions'), _negated=True)), models.Q(('plan', ''), _negated=True), models.Q(('medicine_plan', ''), _negated=True), _connector='OR'), name='blood_thinners_and_conditions_need_a_plan'),
        ),
        AddConstraintNotValid(
            model_name='assessment',
            constraint=models.CheckConstraint(condition=models.Q(('outcome__in', ['unfit_until', 'unfit', 'declines', 'doctor']), ('kidney_disease', False), models.Q(('preparation', ''), _negated=True), _connector='OR'), name='kidney_disease_needs_its_preparation'),
        ),
        migrations.AddConstraint(
            model_name='assessment',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('preparation__in', ['magnesium', 'phosphate']), _negated=True), ('kidney_disease__isnull', True), ('kidney_disease', False), _connector='OR'), name='kidneys_allow_the_preparation'),
        ),
        migrations.AddConstraint(
            model_name='assessment',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('outcome', 'unfit_until'), ('until__isnull', False)), models.Q(models.Q(('outcome', 'unfit_until'), _negated=True), ('until__isnull', True)), _connector='OR'), name='unfit_until_has_its_day'),
        ),
    ]
