"""Report, figures, pictures and colours."""
