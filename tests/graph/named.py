"""Prints every name that a node uses on the graph, one per line with its use, once all names in the
arguments are there or the time is over.

Run: named.py <node> <name ...>"""

from client import *

node, wanted = sys.argv[1], set(sys.argv[2:])
joint = Client(joint=node)
joint.tracking()
own, namespace = node.rsplit("/", 1)[1], node.rsplit("/", 1)[0] or "/"


def used():
    graph = joint.node
    names = {
        "publish": graph.get_publisher_names_and_types_by_node(own, namespace),
        "subscribe": graph.get_subscriber_names_and_types_by_node(own, namespace),
        "reply": graph.get_service_names_and_types_by_node(own, namespace),
        "request": graph.get_client_names_and_types_by_node(own, namespace),
    }
    return {"%s %s" % (does, name) for does, those in names.items() for name, _ in those}


end = now() + PATIENCE
while not wanted <= used() and now() < end:
    pause(0.05)
for line in sorted(used()):
    print("uses", line)
done()
