"""Minutes after a release before its letters can be produced (job 5.4)."""

from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('results', '0013_versions'),
        ('screening', '0005_intake_bench'),
    ]

    operations = [
        migrations.AddField(
            model_name='resultspolicy',
            name='letter_hold_minutes',
            field=models.SmallIntegerField(default=5, help_text='0: none.', verbose_name='minutes after a release before its letters can be produced'),
        ),
        migrations.AddConstraint(
            model_name='resultspolicy',
            constraint=models.CheckConstraint(condition=models.Q(('letter_hold_minutes__range', (0, 240))), name='letter_hold_is_plausible'),
        ),
    ]
