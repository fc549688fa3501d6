"""The hours as the bench and the laboratory write them; everything else stays as Django has it."""

TIME_FORMAT = "H:i"
DATETIME_FORMAT = "j M Y, H:i"
SHORT_DATETIME_FORMAT = "d/m/Y H:i"
