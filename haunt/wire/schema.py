"""The contract for people who write their own firmware: JSON Schemas and an AsyncAPI document.

Both are made from the payload models, so that they cannot say anything else than the decoder does.
"""

from typing import Final, Literal

from pydantic import TypeAdapter
from pydantic.json_schema import JsonSchemaMode, JsonSchemaValue

from haunt.wire.errors import PAYLOAD_BYTES_MAX
from haunt.wire.forms import ID_ALLOWED
from haunt.wire.payloads import ADAPTERS, Payload
from haunt.wire.topics import ALL_KINDS, KINDS, QOS, RETAINED, UP_KINDS, Kind

JSON_SCHEMA_DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"
MQTT_BINDING_VERSION: Final = "0.2.0"
CONTRACT_VERSION: Final = "1.0.0"

MEANING: Final[dict[Kind, str]] = {
    "presence": "A board is here or gone. Gone is also its last will.",
    "motion": "A sensor reported; seq counts per board and boot, from 1.",
    "health": "Every 5 s, and at once when epoch or stopped change.",
    "report": "What became of a cue.",
    "cue": "The order to run a behaviour. Never retained.",
    "settings": "What a board does while it hears no beat.",
    "beat": "Every 2 s, and at every board that is here. No beat for 6 s: the board is alone.",
    "stop": "Latched until released. Not an emergency stop.",
}


_SERVER: Final = {
    "host": "{host}:{port}",
    "protocol": "mqtt",
    "protocolVersion": "3.1.1",
    "description": "A board signs in with its id as user name and client id, clean session, "
    "keepalive 10 s, and its presence with state gone as last will: QoS 1, retained.",
    "variables": {
        "host": {"description": "The machine haunt runs on."},
        "port": {"default": "1883"},
    },
    "security": [{"$ref": "#/components/securitySchemes/credential"}],
}


def schemas() -> dict[str, JsonSchemaValue]:
    """One self-contained JSON Schema for each kind of payload."""
    made = {kind: _strict_maps(adapter.json_schema()) for kind, adapter in ADAPTERS.items()}
    return {
        kind: {"$schema": JSON_SCHEMA_DIALECT, "description": MEANING[kind], **schema}
        for kind, schema in made.items()
    }


def asyncapi() -> dict[str, object]:
    """The AsyncAPI 3.0 document of the controller: it receives what boards send."""
    inputs: list[tuple[Kind, JsonSchemaMode, TypeAdapter[Payload]]] = [
        (kind, "validation", adapter) for kind, adapter in ADAPTERS.items()
    ]
    payloads, shared = TypeAdapter.json_schemas(inputs, ref_template="#/components/schemas/{model}")
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "haunt: boards and controller",
            "version": CONTRACT_VERSION,
            "description": f"MQTT 3.1.1, JSON in UTF-8, at most {PAYLOAD_BYTES_MAX} bytes, every "
            "number an integer. Unknown keys are ignored.",
        },
        "defaultContentType": "application/json",
        "servers": {"garden": _SERVER},
        "channels": {kind: _channel(kind) for kind in KINDS},
        "operations": {f"{_action(kind)}-{kind}": _operation(kind) for kind in KINDS},
        "components": {
            "messages": {
                kind: {
                    "name": kind,
                    "title": MEANING[kind],
                    "contentType": "application/json",
                    "payload": _strict_maps(payloads[kind, "validation"]),
                }
                for kind in KINDS
            },
            "schemas": _strict_maps(shared).get("$defs", {}),
            "securitySchemes": {
                "credential": {
                    "type": "userPassword",
                    "description": "haunt boards add BOARD makes one; it reaches the board's own "
                    "topics only.",
                }
            },
            "parameters": {
                "show": {"description": f"The show's id: {ID_ALLOWED}."},
                "board": {"description": f"The board's id: {ID_ALLOWED}; not all or controller."},
            },
        },
    }


def _channel(kind: Kind) -> dict[str, object]:
    shared = kind in ALL_KINDS
    names = ("show",) if shared else ("show", "board")
    return {
        "address": f"haunt/{{show}}/{'all' if shared else '{board}'}/{kind}",
        "description": MEANING[kind],
        "parameters": {name: {"$ref": f"#/components/parameters/{name}"} for name in names},
        "messages": {kind: {"$ref": f"#/components/messages/{kind}"}},
    }


def _operation(kind: Kind) -> dict[str, object]:
    return {
        "action": _action(kind),
        "channel": {"$ref": f"#/channels/{kind}"},
        "messages": [{"$ref": f"#/channels/{kind}/messages/{kind}"}],
        "bindings": {
            "mqtt": {
                "qos": QOS[kind],
                "retain": kind in RETAINED,
                "bindingVersion": MQTT_BINDING_VERSION,
            }
        },
    }


def _action(kind: Kind) -> Literal["send", "receive"]:
    return "receive" if kind in UP_KINDS else "send"


def _strict_maps(schema: JsonSchemaValue) -> JsonSchemaValue:
    """The same schema, refusing keys of a map that are no ids, and without null defaults.

    Nor does it name a discriminator, which is OpenAPI's and another thing in AsyncAPI: each choice
    says its own state.
    """
    out: JsonSchemaValue = {}
    for key, value in schema.items():
        if (key == "default" and value is None) or key == "discriminator":
            continue
        out[key] = _strict_maps(value) if isinstance(value, dict) else value
    if "patternProperties" in out:
        out["additionalProperties"] = False
    return out
