"""What starts processes: serve, demo, service, and one hold without anybody at the page."""
