#include "layout.h"

#include "bytes.h"
#include "limits.h"

enum {
    HELLO_HEAD = 30,
    SAMPLE_HEAD = 19,
    SLOW_HEAD = 6,
    SLOW_VALUE = 5,
    TIME_SIZE = 9,
    NOTICE_SIZE = 10,
    SET_POINT_HEAD = 11,
    ASK_SIZE = 5
};

static bool between(uint8_t value, uint8_t low, uint8_t high)
{
    return value >= low && value <= high;
}

bool fe_is_utf8(const uint8_t *text, size_t n)
{
    size_t at = 0;
    while (at < n) {
        uint8_t first = text[at++];
        size_t more;
        uint8_t low = 0x80; /* what the second byte may be */
        uint8_t high = 0xBF;
        if (first < 0x80u) {
            continue;
        }
        if (between(first, 0xC2, 0xDF)) {
            more = 1;
        } else if (between(first, 0xE0, 0xEF)) {
            more = 2;
            low = first == 0xE0u ? 0xA0 : 0x80;
            high = first == 0xEDu ? 0x9F : 0xBF;
        } else if (between(first, 0xF0, 0xF4)) {
            more = 3;
            low = first == 0xF0u ? 0x90 : 0x80;
            high = first == 0xF4u ? 0x8F : 0xBF;
        } else {
            return false;
        }
        if (at + more > n || !between(text[at], low, high)) {
            return false;
        }
        for (size_t i = 1; i < more; i++) {
            if (!between(text[at + i], 0x80, 0xBF)) {
                return false;
            }
        }
        at += more;
    }
    return true;
}

/* Moves *at past a text of at most `most` bytes; false when it is not one. */
static bool pass_text(const uint8_t *content, size_t n, size_t *at, size_t most)
{
    if (*at >= n) {
        return false;
    }
    size_t length = content[*at];
    size_t start = *at + 1u;
    *at = start + length;
    return length <= most && *at <= n && fe_is_utf8(content + start, length);
}

static bool is_hello(const uint8_t *content, size_t n)
{
    if (n < HELLO_HEAD || fe_get32(content + 4) == 0u || fe_get16(content + 8) == 0u) {
        return false;
    }
    size_t at = HELLO_HEAD;
    if (!pass_text(content, n, &at, FE_MAX_FIRMWARE) || at >= n) {
        return false;
    }
    uint8_t channels = content[at++];
    for (uint8_t i = 0; i < channels; i++) {
        if (at >= n || !between(content[at], FE_WHEEL, FE_SLOW_CHANNEL)) {
            return false;
        }
        at++;
        if (!pass_text(content, n, &at, FE_MAX_NAME) || !pass_text(content, n, &at, FE_MAX_NAME)) {
            return false;
        }
    }
    /* Another major version may say more after the table; ours says exactly this. */
    return content[1] != FE_PROTOCOL_MAJOR || at == n;
}

static bool is_sample(const uint8_t *content, size_t n)
{
    if (n < SAMPLE_HEAD || content[9] > FE_CHAIN_OPEN) {
        return false;
    }
    size_t at = SAMPLE_HEAD;
    for (uint8_t wheel = 0; wheel < content[16]; wheel++) {
        if (at + 3u > n || content[at + 2u] > FE_MAX_EDGES) {
            return false;
        }
        at += 3u + 4u * (size_t)content[at + 2u];
    }
    return at + 4u * (size_t)content[17] + 2u * (size_t)content[18] == n;
}

static enum fe_layout when(bool sound)
{
    return sound ? FE_LAYOUT_SOUND : FE_LAYOUT_MALFORMED;
}

enum fe_layout fe_layout_of(const uint8_t *content, size_t n)
{
    switch (content[0]) {
    case FE_HELLO:
        return when(is_hello(content, n));
    case FE_SAMPLE:
        return when(is_sample(content, n));
    case FE_SLOW:
        return when(n >= SLOW_HEAD && n == SLOW_HEAD + SLOW_VALUE * (size_t)content[5]);
    case FE_TIME:
        return when(n == TIME_SIZE);
    case FE_NOTICE:
        return when(n == NOTICE_SIZE);
    case FE_SET_POINT:
        return when(n >= SET_POINT_HEAD && n == SET_POINT_HEAD + 2u * (size_t)content[10]);
    case FE_ASK_IDENTITY:
    case FE_ASK_TIME:
        return when(n == ASK_SIZE);
    default:
        return FE_LAYOUT_UNKNOWN;
    }
}
