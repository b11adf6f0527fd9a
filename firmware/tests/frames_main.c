/* Decodes standard input and encodes it again, for tests/wire/test_firmware_core.py.
 *
 * A line for each frame:  verdict type sequence clock body-in-hex  and the frame encoded anew, in hex.
 */
#include <inttypes.h>
#include <stdio.h>

#include "../core/frames.h"

static void print_hex(const uint8_t *data, size_t size) {
    putchar(' ');
    putchar('.'); /* never empty */
    for (size_t k = 0; k < size; k++) {
        printf("%02x", data[k]);
    }
}

int main(void) {
    static bb_decoder decoder;
    static uint8_t again[BB_MOST_STUFFED + 1];
    bb_frame f;
    bb_decoder_init(&decoder);
    for (int byte; (byte = getchar()) != EOF;) {
        if (!bb_feed(&decoder, (uint8_t)byte, &f)) {
            continue;
        }
        printf("%d", (int)f.verdict);
        if (f.verdict == BB_FRAME) {
            printf(" %02x %" PRIu32 " %" PRIu64, (unsigned)f.type, f.sequence, f.clock);
            print_hex(f.body, f.size);
            print_hex(again, bb_encode(again, f.type, f.sequence, f.clock, f.body, f.size));
        }
        putchar('\n');
    }
    return 0;
}
