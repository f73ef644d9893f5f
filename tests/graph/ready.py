"""Waits until the loop tracks."""

from client import *

c = Client()
c.tracking()
done()
