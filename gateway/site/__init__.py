"""The site file: which starters there are, how to reach them, what is known of their motors and which limits hold.

`model` is what a site is, `load` reads it with every map it names, `check` tells what is wrong with files without using them.
"""

from gateway.site.check import check_files
from gateway.site.load import load_site
from gateway.site.model import Framing, LinkAddress, OpcuaSecurity, Paces, SecurityPolicy, Site, StarterSite, TlsFiles, WebSettings

__all__ = [
    "Framing",
    "LinkAddress",
    "OpcuaSecurity",
    "Paces",
    "SecurityPolicy",
    "Site",
    "StarterSite",
    "TlsFiles",
    "WebSettings",
    "check_files",
    "load_site",
]
