"""A number is looked for by its digits first and its scheme then: nearly all have the same scheme."""

from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('screening', '0022_history_without_needless_indexes'),
    ]

    operations = [
        migrations.RemoveConstraint(
            model_name='personidentifier',
            name='one_person_per_current_number',
        ),
        migrations.AddConstraint(
            model_name='personidentifier',
            constraint=models.UniqueConstraint(condition=models.Q(('valid_to__isnull', True)), fields=('value', 'scheme'), name='one_person_per_current_number'),
        ),
    ]
