"""The pass table: what road and air asked of each run on each segment."""
