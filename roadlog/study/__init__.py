"""The study: what `study.toml` may say, and where its files lie."""
