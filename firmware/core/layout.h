/* Whether the content of a frame (type and body, no CRC) is laid out as its type says. */
#ifndef FE_LAYOUT_H
#define FE_LAYOUT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum fe_layout { FE_LAYOUT_SOUND, FE_LAYOUT_UNKNOWN, FE_LAYOUT_MALFORMED };

/* n is 1 or more. */
enum fe_layout fe_layout_of(const uint8_t *content, size_t n);

/* Whether n bytes are UTF-8: shortest forms only, no surrogates, nothing above U+10FFFF. */
bool fe_is_utf8(const uint8_t *text, size_t n);

#endif
