"""Paper: pages in millimetres, with text in any script that the fonts hold."""
