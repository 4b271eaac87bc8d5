/* What the wire and this core bound, and the codes of docs/wire.md by name. */
#ifndef FE_LIMITS_H
#define FE_LIMITS_H

enum {
    FE_PROTOCOL_MAJOR = 1,
    FE_PROTOCOL_MINOR = 0,

    /* docs/wire.md section 2: type, body and CRC, and the same once stuffed, without its 0x00. */
    FE_MAX_FRAME = 1024,
    FE_MAX_STUFFED = 1029,
    FE_CRC_BYTES = 4,
    FE_SHORTEST_FRAME = 5,

    FE_MAX_EDGES = 64,        /* of one wheel in one SAMPLE */
    FE_MAX_NAME = 24,         /* bytes of a channel's name or unit */
    FE_MAX_FIRMWARE = 64,     /* bytes of the firmware's name in HELLO */
    FE_MAX_VALIDITY_MS = 2000,

    /* What this core has room for; a port may have less (its own check of the configuration). */
    FE_MAX_WHEELS = 4,
    FE_MAX_CONVERTERS = 8,
    FE_MAX_OUTPUTS = 8,
    FE_MAX_DIGITAL_IN = 16,
    FE_MAX_DIGITAL_OUT = 8,
    FE_MAX_SLOW = 16
};

enum fe_type {
    FE_HELLO = 0x01,
    FE_SAMPLE = 0x02,
    FE_SLOW = 0x03,
    FE_TIME = 0x04,
    FE_NOTICE = 0x05,
    FE_SET_POINT = 0x81,
    FE_ASK_IDENTITY = 0x82,
    FE_ASK_TIME = 0x83
};

enum fe_channel_kind {
    FE_WHEEL = 1,
    FE_CONVERTER = 2,
    FE_OUTPUT = 3,
    FE_DIGITAL_IN = 4,
    FE_DIGITAL_OUT = 5,
    FE_SLOW_CHANNEL = 6
};

enum fe_reset_cause {
    FE_POWER_ON = 0,
    FE_WATCHDOG = 1,
    FE_BROWN_OUT = 2,
    FE_COMMANDED = 3,
    FE_CAUSE_UNKNOWN = 255
};

enum fe_permission_state {
    FE_NONE = 0,
    FE_HELD = 1,
    FE_EASING = 2,
    FE_CHAIN_OPEN = 3
};

enum fe_converter_flag {
    FE_SATURATED = 1,
    FE_BRIDGE_FAULT = 2,
    FE_NOT_FRESH = 4
};

enum fe_notice_code {
    FE_NO_NOTICE = 0,
    FE_EASING_BEGAN = 1,
    FE_SET_POINT_REFUSED = 2,
    FE_FRAMES_DAMAGED = 3,
    FE_CHAIN_OPENED = 4,
    FE_EDGES_NOT_SENT = 5
};

enum fe_refusal {
    FE_ACCEPTED = 0,
    FE_OTHER_SESSION = 1,
    FE_NOT_NEWER = 2,
    FE_WRONG_COUNT = 3,
    FE_OUT_OF_RANGE = 4,
    FE_NOT_ZERO_AFTER_CHAIN = 5
};

#endif
