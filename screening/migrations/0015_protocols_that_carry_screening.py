"""Tells protocols that rule the programme's days from those of one part alone; the former never overlap."""

import django.contrib.postgres.constraints
from django.db import migrations, models

import screening.models.protocols

MARK = """
SELECT set_config('roundbook.actor', '0', false), set_config('roundbook.now', '2020-01-01T00:00:00Z', false);
UPDATE screening_protocol p SET carries_screening = true
WHERE EXISTS (SELECT 1 FROM screening_screeningpolicy s WHERE s.protocol_id = p.id);
SET CONSTRAINTS ALL IMMEDIATE;
SELECT set_config('roundbook.actor', '', false), set_config('roundbook.now', '', false);
"""


class Migration(migrations.Migration):
    """Adds the mark, sets it, and adds the constraint."""

    dependencies = [
        ("screening", "0014_batches_released_and_paused"),
    ]

    operations = [
        migrations.RemoveConstraint(model_name="protocol", name="no_two_protocols_are_in_force"),
        migrations.AddField(
            model_name="protocol",
            name="carries_screening",
            field=models.BooleanField(default=False, editable=False),
        ),
        migrations.RunSQL(MARK, migrations.RunSQL.noop),
        migrations.AddConstraint(
            model_name="protocol",
            constraint=django.contrib.postgres.constraints.ExclusionConstraint(
                condition=models.Q(("approved_by__isnull", False), ("carries_screening", True)),
                expressions=[(screening.models.protocols.ProtocolDays("valid_from", "valid_to"), "&&")],
                name="no_two_protocols_are_in_force",
            ),
        ),
    ]
