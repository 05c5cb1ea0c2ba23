"""Views: texts, figures, drawings and the report."""
