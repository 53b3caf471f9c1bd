"""Layout files: from TOML to a layout, with every mistake and its line."""
