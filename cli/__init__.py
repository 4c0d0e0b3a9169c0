"""Where people meet the measurement: commands, their words and their exit statuses; holds no mathematics."""
