#include "frames.h"

/* What a byte shifted out leaves, of the polynomial 0xEDB88320. It is linear, so that eight numbers make all
 * 256. Measured on a simulated Cortex-M0+: 57 cycles a sample all in all; with a table of 16 for half a byte
 * at a time, 66. At full rate there are 250. */
#define OF(k)                                                                                        \
    (((k) & 1u ? 0x77073096u : 0u) ^ ((k) & 2u ? 0xEE0E612Cu : 0u) ^ ((k) & 4u ? 0x076DC419u : 0u) ^  \
     ((k) & 8u ? 0x0EDB8832u : 0u) ^ ((k) & 16u ? 0x1DB71064u : 0u) ^                                \
     ((k) & 32u ? 0x3B6E20C8u : 0u) ^ ((k) & 64u ? 0x76DC4190u : 0u) ^                               \
     ((k) & 128u ? 0xEDB88320u : 0u))
#define OF_4(k) OF(k), OF(k + 1u), OF(k + 2u), OF(k + 3u)
#define OF_16(k) OF_4(k), OF_4(k + 4u), OF_4(k + 8u), OF_4(k + 12u)
#define OF_64(k) OF_16(k), OF_16(k + 16u), OF_16(k + 32u), OF_16(k + 48u)
static const uint32_t LEFT[256] = {OF_64(0u), OF_64(64u), OF_64(128u), OF_64(192u)};

uint32_t bb_crc32(uint32_t crc, const uint8_t *data, size_t size) {
    crc = ~crc;
    for (size_t k = 0; k < size; k++) {
        crc = crc >> 8 ^ LEFT[(crc ^ data[k]) & 255u];
    }
    return ~crc;
}

/* Byte stuffing as the bytes come: `code` is where the length of the block will stand. */
typedef struct {
    uint8_t *code, *next;
} stuffing;

static void stuff(stuffing *s, const uint8_t *data, size_t size) {
    uint8_t *code = s->code, *next = s->next;
    for (size_t k = 0; k < size; k++) {
        if (next - code == 255) { /* 254 bytes without a zero, and more to come */
            *code = 255;
            code = next++;
        }
        uint8_t byte = data[k];
        if (byte) {
            *next++ = byte;
        } else {
            *code = (uint8_t)(next - code);
            code = next++;
        }
    }
    s->code = code;
    s->next = next;
}

size_t bb_encode(uint8_t *to, uint8_t type, uint32_t sequence, uint64_t clock, const uint8_t *body,
                 size_t size) {
    if (size > BB_MOST_BODY) {
        return 0;
    }
    uint8_t head[BB_HEAD], check[BB_CRC];
    bb_put_u8(head, type);
    bb_put_u32(head + 1, sequence);
    bb_put_u64(head + 5, clock);
    bb_put_u32(check, bb_crc32(bb_crc32(0, head, BB_HEAD), body, size));
    stuffing s = {to, to + 1};
    stuff(&s, head, BB_HEAD);
    stuff(&s, body, size);
    stuff(&s, check, BB_CRC);
    *s.code = (uint8_t)(s.next - s.code);
    *s.next++ = 0;
    return (size_t)(s.next - to);
}

/* Takes the byte stuffing out in place; the size, or SIZE_MAX where it is broken. */
static size_t unstuff(uint8_t *data, size_t size) {
    size_t from = 0, to = 0;
    while (from < size) {
        size_t block = data[from];
        if (block > size - from) {
            return SIZE_MAX;
        }
        for (size_t k = 1; k < block; k++) {
            data[to++] = data[from + k];
        }
        from += block;
        if (block < 255 && from < size) {
            data[to++] = 0;
        }
    }
    return to;
}

void bb_decoder_init(bb_decoder *d) {
    d->size = 0;
    d->too_long = 0;
}

static void decode(bb_decoder *d, bb_frame *found) {
    size_t size = unstuff(d->data, d->size);
    if (size == SIZE_MAX) {
        found->verdict = BB_STUFFING;
    } else if (size < BB_HEAD + BB_CRC) {
        found->verdict = BB_SHORT;
    } else if (size > BB_MOST_PLAIN) {
        found->verdict = BB_LONG;
    } else if (bb_crc32(0, d->data, size - BB_CRC) != bb_get_u32(d->data + size - BB_CRC)) {
        found->verdict = BB_CHECKSUM;
    } else {
        found->verdict = BB_FRAME;
        found->type = bb_get_u8(d->data);
        found->sequence = bb_get_u32(d->data + 1);
        found->clock = bb_get_u64(d->data + 5);
        found->body = d->data + BB_HEAD;
        found->size = size - BB_HEAD - BB_CRC;
    }
}

int bb_feed(bb_decoder *d, uint8_t byte, bb_frame *found) {
    if (byte) {
        if (d->size < BB_MOST_STUFFED) {
            d->data[d->size++] = byte;
        } else {
            d->too_long = 1;
        }
        return 0;
    }
    if (!d->size) {
        return 0; /* two zeros in a row hold nothing */
    }
    *found = (bb_frame){.verdict = BB_LONG};
    if (!d->too_long) {
        decode(d, found);
    }
    bb_decoder_init(d);
    return 1;
}
