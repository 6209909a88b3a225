"""What has moved since the last look, told by a few photographs."""
