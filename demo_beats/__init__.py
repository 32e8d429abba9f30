"""Three invented beats: their beat.toml and the score that synthesises their audio."""
