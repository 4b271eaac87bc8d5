"""What each test kind is evaluated to, from columns to figures and curves."""
