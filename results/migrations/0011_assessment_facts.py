"""Which bowel preparation and who interprets, as facts of their own; assessments made before keep what they say."""

from django.conf import settings
from django.contrib.postgres.operations import AddConstraintNotValid
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('results', '0010_findings'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.AddField(
            model_name='assessment',
            name='interpreted_by',
            field=models.CharField(blank=True, default='', max_length=120, verbose_name='who interprets'),
        ),
        migrations.AddField(
            model_name='assessment',
            name='preparation',
            field=models.CharField(blank=True, default='', max_length=120, verbose_name='bowel preparation that the kidneys allow'),
        ),
        AddConstraintNotValid(
            model_name='assessment',
            constraint=models.CheckConstraint(condition=models.Q(('kidney_disease', False), models.Q(('preparation', ''), _negated=True), _connector='OR'), name='kidney_disease_needs_its_preparation'),
        ),
        AddConstraintNotValid(
            model_name='assessment',
            constraint=models.CheckConstraint(condition=models.Q(('interpreter', False), models.Q(('interpreted_by', ''), _negated=True), _connector='OR'), name='interpreter_is_named'),
        ),
    ]
