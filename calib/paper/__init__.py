"""The files people keep: sheet, stand and job folder; read and written here only."""
