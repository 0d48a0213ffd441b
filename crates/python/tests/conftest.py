"""The package's own tests use its fixtures, and pytest's for testing plugins."""
pytest_plugins = ["pytester"]
