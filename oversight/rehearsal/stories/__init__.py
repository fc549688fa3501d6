"""The stories: seeded people of the demo region, each with a course of her own, told through the real services."""
