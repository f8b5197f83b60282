"""A processing provider for a desktop GIS: hands layers to the program, loads what it makes.

This folder is data of the package geoadjust, which never imports it; `geoadjust plugin` makes a zip of it. It imports
the standard library and its host alone. Licence: GPL-2.0-or-later, see LICENSE here.
"""


def classFactory(iface):
    """What the host calls when the plugin is loaded."""
    from .host import Plugin

    return Plugin(iface)
