"""The main job for Python: tables and rasters in, frames and drawings out. Reached as `geoadjust.NAME`."""
