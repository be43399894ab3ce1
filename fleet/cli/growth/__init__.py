"""Commands for when the fleet grows: other benches, and sheets that no single store holds."""
