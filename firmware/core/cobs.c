#include "cobs.h"

enum { FULL_BLOCK = 255 };  /* this code stands for 254 bytes that no zero follows */

size_t fe_stuff(uint8_t *out, const uint8_t *in, size_t n)
{
    size_t code_at = 0;
    size_t at = 1;
    uint8_t code = 1;
    for (size_t i = 0; i < n; i++) {
        if (in[i] != 0u) {
            out[at++] = in[i];
            code++;
        }
        /* A full block that ends the frame has no empty block after it. */
        if (in[i] == 0u || (code == FULL_BLOCK && i + 1u < n)) {
            out[code_at] = code;
            code_at = at++;
            code = 1;
        }
    }
    out[code_at] = code;
    out[at++] = 0;
    return at;
}

int32_t fe_unstuff(uint8_t *data, size_t n)
{
    size_t from = 0;
    size_t to = 0;
    while (from < n) {
        size_t code = data[from++];
        size_t end = from + code - 1u;
        if (end > n) {
            return -1;
        }
        while (from < end) {
            data[to++] = data[from++];
        }
        if (code != FULL_BLOCK && from < n) {
            data[to++] = 0;
        }
    }
    return (int32_t)to;
}
