"""An example of extensions."""
