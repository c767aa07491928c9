"""Marker to camera pose and millimetres: card, ruler, disc, known length."""
