"""Where pictures come from: cameras, video files, watched folders, single pictures."""
