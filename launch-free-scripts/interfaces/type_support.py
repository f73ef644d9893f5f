"""Writes the type supports of an interface package as C: the one that the middleware serialises with (Fast CDR), and
the one that finds the others by name.

ROS's own generators write these two as C++. This machine may have only a C compiler, so here a field is serialised by
calling the functions that the libraries of other message packages export under C names: a field of a message type by
that type's own functions, a field of a basic type by those of the std_msgs message that holds one such value and
nothing else. A C++ reference in their signatures is a pointer in C (Itanium C++ ABI, section 3.1.2).
"""

from rosidl_generator_c import idl_structure_type_to_c_typename as c_name
from rosidl_parser.definition import (
    AbstractSequence, Action, BasicType, BoundedSequence, Message, NamespacedType, Service, UnboundedString,
)
from rosidl_pycommon import convert_camel_case_to_lower_case_underscore as snake

# What serialises a basic type, by its name in IDL.
HOLDERS = {
    "boolean": "Bool", "octet": "Byte", "float": "Float32", "double": "Float64",
    "int8": "Int8", "int16": "Int16", "int32": "Int32", "int64": "Int64",
    "uint8": "UInt8", "uint16": "UInt16", "uint32": "UInt32", "uint64": "UInt64",
}


class Unsupported(Exception):
    """A definition that has a kind of field which is not written here."""


def messages_of(element):
    """The messages that an element of a definition consists of, in the order of use."""
    if isinstance(element, Message):
        return [element]
    if isinstance(element, Service):
        return [element.request_message, element.response_message, element.event_message]
    return [element.goal, element.result, element.feedback, *messages_of(element.send_goal_service),
            *messages_of(element.get_result_service), element.feedback_message]


def services_of(element):
    """The services of an element of a definition."""
    if isinstance(element, Service):
        return [element]
    return [element.send_goal_service, element.get_result_service] if isinstance(element, Action) else []


def names(message):
    """Package, folder and name of a message or service."""
    return getattr(message, "structure", message).namespaced_type.namespaced_name()


def holder(type_, member):
    """C name of the message type whose functions serialise a value of this type."""
    if isinstance(type_, NamespacedType):
        return c_name(type_)
    if isinstance(type_, UnboundedString):
        return "std_msgs__msg__String"
    if isinstance(type_, BasicType) and type_.typename in HOLDERS:
        return "std_msgs__msg__" + HOLDERS[type_.typename]
    raise Unsupported(f"the field '{member.name}' has a type that the type support is not written for")


def value_type(member):
    """The type of a field, or of the items of a field that is a sequence."""
    if not isinstance(member.type, AbstractSequence):
        return member.type
    if not isinstance(member.type.value_type, NamespacedType):
        raise Unsupported(f"the field '{member.name}' is a sequence of something else than messages")
    return member.type.value_type


def declarations(used):
    """Declares the functions that serialise the types `used`."""
    lines = []
    for t in sorted(used):
        lines += [
            f"bool cdr_serialize_{t}(const {t} *, cdr_t *);",
            f"bool cdr_deserialize_{t}(cdr_t *, {t} *);",
            f"size_t get_serialized_size_{t}(const void *, size_t);",
            f"size_t max_serialized_size_{t}(bool *, bool *, size_t);",
        ]
    return "\n".join(lines)


LENGTH = "std_msgs__msg__UInt32"


def functions(message):
    """The functions that serialise one message."""
    t = c_name(message.structure.namespaced_type)
    write, read, size, most = [], [], [], []
    for member in message.structure.members:
        f, v = member.name, holder(value_type(member), member)
        if not isinstance(member.type, AbstractSequence):
            write.append(f"  if (!cdr_serialize_{v}((const {v} *)&m->{f}, cdr)) return false;")
            read.append(f"  if (!cdr_deserialize_{v}(cdr, ({v} *)&m->{f})) return false;")
            size.append(f"  at += get_serialized_size_{v}(&m->{f}, at);")
            most.append(f"  at += max_serialized_size_{v}(&inner_bounded, &inner_plain, at);\n"
                        "  *bounded = *bounded && inner_bounded;")
            continue
        bound = member.type.maximum_size if isinstance(member.type, BoundedSequence) else None
        refuse = [] if bound is None else [f"    if (n.data > {bound}) return false;"]
        write += [
            "  {",
            f"    const {LENGTH} n = {{(uint32_t)m->{f}.size}};",
            *refuse,
            f"    if (!cdr_serialize_{LENGTH}(&n, cdr)) return false;",
            "    for (uint32_t i = 0; i < n.data; ++i) {",
            f"      if (!cdr_serialize_{v}(&m->{f}.data[i], cdr)) return false;",
            "    }",
            "  }",
        ]
        # A length comes from outside, so room is made only as the items arrive.
        read += [
            "  {",
            f"    {LENGTH} n = {{0}};",
            f"    if (!cdr_deserialize_{LENGTH}(cdr, &n)) return false;",
            *refuse,
            f"    m->{f}.size = 0;",
            "    for (uint32_t i = 0; i < n.data; ++i) {",
            f"      if (i == m->{f}.capacity && !grow_{v}(&m->{f}, n.data)) return false;",
            f"      m->{f}.size = i + 1;",
            f"      if (!cdr_deserialize_{v}(cdr, &m->{f}.data[i])) return false;",
            "    }",
            "  }",
        ]
        size += [
            f"  at += get_serialized_size_{LENGTH}(NULL, at);",
            f"  for (size_t i = 0; i < m->{f}.size; ++i) at += get_serialized_size_{v}(&m->{f}.data[i], at);",
        ]
        most.append(f"  at += max_serialized_size_{LENGTH}(&inner_bounded, &inner_plain, at);")
        if bound is None:
            most.append("  *bounded = false;")
        else:
            most += [
                f"  for (int i = 0; i < {bound}; ++i) {{",
                f"    at += max_serialized_size_{v}(&inner_bounded, &inner_plain, at);",
                "    *bounded = *bounded && inner_bounded;",
                "  }",
            ]
    package, folder, name = names(message)
    body = "\n".join
    return f"""
bool cdr_serialize_{t}(const {t} *m, cdr_t *cdr)
{{
{body(write)}
  return true;
}}

bool cdr_deserialize_{t}(cdr_t *cdr, {t} *m)
{{
{body(read)}
  return true;
}}

size_t get_serialized_size_{t}(const void *message, size_t from)
{{
  const {t} *m = message;
  size_t at = from;
{body(size)}
  return at - from;
}}

size_t max_serialized_size_{t}(bool *bounded, bool *plain, size_t from)
{{
  bool inner_bounded = true, inner_plain = true;
  size_t at = from;
  *bounded = true;
  *plain = false;
{body(most)}
  return at - from;
}}

static bool write_{t}(const void *message, cdr_t *cdr)
{{
  return message && cdr_serialize_{t}(message, cdr);
}}

static bool read_{t}(cdr_t *cdr, void *message)
{{
  return message && cdr_deserialize_{t}(cdr, message);
}}

static uint32_t size_{t}(const void *message)
{{
  return (uint32_t)get_serialized_size_{t}(message, 0);
}}

static size_t most_{t}(char *bounds)
{{
  bool bounded, plain;
  size_t size = max_serialized_size_{t}(&bounded, &plain, 0);
  *bounds = bounded ? BOUNDED : UNBOUNDED;
  return size;
}}

static const message_callbacks_t callbacks_{t} = {{
  "{package}::{folder}", "{name}", write_{t}, read_{t}, size_{t}, most_{t}, NULL,
}};
""" + message_handle(t, "rosidl_typesupport_fastrtps_c", f"&callbacks_{t}", "get_message_typesupport_handle_function",
                     "rosidl_typesupport_fastrtps_c__identifier")


def description(t):
    """The end of a handle: what tells the type's hash and description."""
    return f"&{t}__get_type_hash, &{t}__get_type_description, &{t}__get_type_description_sources"


def message_handle(t, support, data, find, identifier):
    """The handle of a message in a type support. Its identifier is a variable of a library, known when it is loaded."""
    return f"""
static rosidl_message_type_support_t handle_{t} = {{
  NULL, {data}, {find},
  {description(t)},
}};

const rosidl_message_type_support_t *{support}__get_message_type_support_handle__{t}(void)
{{
  handle_{t}.typesupport_identifier = {identifier};
  return &handle_{t};
}}
"""


def service_handle(service, support, data, find, identifier):
    """The handle of a service in a type support."""
    t = c_name(service.namespaced_type)
    parts = "\n".join(
        f"  {support}__get_message_type_support_handle__{t}_{part}();" for part in ("Request", "Response", "Event"))
    return f"""
static rosidl_service_type_support_t handle_{t} = {{
  NULL, {data}, {find},
  &handle_{t}_Request, &handle_{t}_Response, &handle_{t}_Event,
  &rosidl_typesupport_c__create_service_event_message__{t},
  &rosidl_typesupport_c__destroy_service_event_message__{t},
  {description(t)},
}};

const rosidl_service_type_support_t *{support}__get_service_type_support_handle__{t}(void)
{{
{parts}
  handle_{t}.typesupport_identifier = {identifier};
  return &handle_{t};
}}
"""


def includes(package, definitions):
    """Includes the generated headers of a package's definitions."""
    files = [f"{package}/{folder}/{part}" for folder, stem, _ in definitions
             for part in (f"{snake(stem)}.h", f"detail/{snake(stem)}__functions.h")]
    return "".join(f'#include "{file}"\n' for file in files)


def fast_cdr(package, definitions):
    """The type support that the middleware serialises with; `definitions` are (folder, name, elements)."""
    elements = [e for _, _, es in definitions for e in es]
    messages = [m for e in elements for m in messages_of(e)]
    own = {c_name(m.structure.namespaced_type) for m in messages}
    used, grown, headers = {LENGTH} | own, set(), {"std_msgs/msg/u_int32.h"}
    for message in messages:
        for member in message.structure.members:
            v = holder(value_type(member), member)
            used.add(v)
            if isinstance(member.type, AbstractSequence):
                grown.add(v)
            if v not in own:
                other, folder, name = v.split("__")
                headers.add(f"{other}/{folder}/{snake(name)}.h")
                headers.add(f"{other}/{folder}/detail/{snake(name)}__functions.h")
    # The default allocator of rcutils, which frees these, is that of C.
    grow = "".join(f"""
static bool grow_{v}({v}__Sequence *items, uint32_t most)
{{
  size_t room = items->capacity ? 2 * items->capacity : 16;
  if (room > most) room = most;
  {v} *data = realloc(items->data, room * sizeof(*data));
  if (!data) return false;
  items->data = data;
  for (; items->capacity < room; ++items->capacity) if (!{v}__init(&data[items->capacity])) return false;
  return true;
}}
""" for v in sorted(grown))
    text = f"""#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include "rosidl_runtime_c/message_type_support_struct.h"
#include "rosidl_runtime_c/service_type_support_struct.h"
#include "rosidl_typesupport_fastrtps_c/identifier.h"
{"".join(f'#include "{h}"' + chr(10) for h in sorted(headers))}{includes(package, definitions)}
typedef struct cdr cdr_t;

/* As in rosidl_typesupport_fastrtps_cpp/message_type_support.h and service_type_support.h, which are C++. */
enum {{ UNBOUNDED = 0, BOUNDED = 1 }};
typedef struct {{
  const char *message_namespace, *message_name;
  bool (*write)(const void *, cdr_t *);
  bool (*read)(cdr_t *, void *);
  uint32_t (*size)(const void *);
  size_t (*most)(char *);
  const void *key;
}} message_callbacks_t;

typedef struct {{
  const char *service_namespace, *service_name;
  const rosidl_message_type_support_t *request, *response;
}} service_callbacks_t;

{declarations(used)}
{grow}"""
    text += "".join(functions(m) for m in messages)
    for service in (s for e in elements for s in services_of(e)):
        t = c_name(service.namespaced_type)
        other, folder, name = names(service)
        text += f"""
static const service_callbacks_t callbacks_{t} = {{
  "{other}::{folder}", "{name}", &handle_{t}_Request, &handle_{t}_Response,
}};
""" + service_handle(service, "rosidl_typesupport_fastrtps_c", f"&callbacks_{t}",
                     "get_service_typesupport_handle_function", "rosidl_typesupport_fastrtps_c__identifier")
    return text


SUPPORTS = ("rosidl_typesupport_fastrtps_c", "rosidl_typesupport_introspection_c")


def by_name(package, definitions):
    """The type support that is asked first and finds the others, by the names of their libraries and functions."""
    elements = [e for _, _, es in definitions for e in es]

    def table(t, kind):
        symbols = ", ".join(f'"{s}__get_{kind}_type_support_handle__{t}"' for s in SUPPORTS)
        return f"""
static const char *const symbols_{t}[] = {{{symbols}}};
static void *libraries_{t}[{len(SUPPORTS)}];
static const type_support_map_t map_{t} = {{{len(SUPPORTS)}, "{package}", supports, symbols_{t}, libraries_{t}}};
"""

    text = f"""#include <stddef.h>
#include "rosidl_runtime_c/action_type_support_struct.h"
#include "rosidl_runtime_c/message_type_support_struct.h"
#include "rosidl_runtime_c/service_type_support_struct.h"
#include "rosidl_typesupport_c/identifier.h"
#include "rosidl_typesupport_c/message_type_support_dispatch.h"
#include "rosidl_typesupport_c/service_type_support_dispatch.h"
#include "rosidl_typesupport_c/type_support_map.h"
#include "action_msgs/msg/goal_status_array.h"
#include "action_msgs/srv/cancel_goal.h"
{includes(package, definitions)}
static const char *const supports[] = {{{", ".join(f'"{s}"' for s in SUPPORTS)}}};
"""
    support, identifier = "rosidl_typesupport_c", "rosidl_typesupport_c__typesupport_identifier"
    for message in (m for e in elements for m in messages_of(e)):
        t = c_name(message.structure.namespaced_type)
        text += table(t, "message") + message_handle(
            t, support, f"&map_{t}", "rosidl_typesupport_c__get_message_typesupport_handle_function", identifier)
    for service in (s for e in elements for s in services_of(e)):
        t = c_name(service.namespaced_type)
        text += table(t, "service") + service_handle(
            service, support, f"&map_{t}", "rosidl_typesupport_c__get_service_typesupport_handle_function", identifier)
    for action in (e for e in elements if isinstance(e, Action)):
        t = c_name(action.namespaced_type)
        text += f"""
static rosidl_action_type_support_t handle_{t} = {{
  NULL, NULL, NULL, NULL, NULL,
  {description(t)},
}};

const rosidl_action_type_support_t *{support}__get_action_type_support_handle__{t}(void)
{{
  handle_{t}.goal_service_type_support = {support}__get_service_type_support_handle__{t}_SendGoal();
  handle_{t}.result_service_type_support = {support}__get_service_type_support_handle__{t}_GetResult();
  handle_{t}.cancel_service_type_support = {support}__get_service_type_support_handle__action_msgs__srv__CancelGoal();
  handle_{t}.feedback_message_type_support = {support}__get_message_type_support_handle__{t}_FeedbackMessage();
  handle_{t}.status_message_type_support =
    {support}__get_message_type_support_handle__action_msgs__msg__GoalStatusArray();
  return &handle_{t};
}}
"""
    return text
