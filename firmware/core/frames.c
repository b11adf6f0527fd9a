#include "frames.h"

/* Half a byte at a time: 64 bytes of table. Of the polynomial 0xEDB88320, entry k is what shifting k out
 * by four bits leaves. */
static const uint32_t NIBBLES[16] = {
    0x00000000u, 0x1DB71064u, 0x3B6E20C8u, 0x26D930ACu, 0x76DC4190u, 0x6B6B51F4u,
    0x4DB26158u, 0x5005713Cu, 0xEDB88320u, 0xF00F9344u, 0xD6D6A3E8u, 0xCB61B38Cu,
    0x9B64C2B0u, 0x86D3D2D4u, 0xA00AE278u, 0xBDBDF21Cu,
};

uint32_t bb_crc32(uint32_t crc, const uint8_t *data, size_t size) {
    crc = ~crc;
    for (size_t k = 0; k < size; k++) {
        crc ^= data[k];
        crc = crc >> 4 ^ NIBBLES[crc & 15u];
        crc = crc >> 4 ^ NIBBLES[crc & 15u];
    }
    return ~crc;
}

/* Byte stuffing as the bytes come: `code` is where the length of the block will stand. */
typedef struct {
    uint8_t *to;
    size_t code, next;
} stuffing;

static void put(stuffing *s, uint8_t byte) {
    if (s->next - s->code == 255) { /* 254 bytes without a zero, and more to come */
        s->to[s->code] = 255;
        s->code = s->next++;
    }
    if (byte) {
        s->to[s->next++] = byte;
    } else {
        s->to[s->code] = (uint8_t)(s->next - s->code);
        s->code = s->next++;
    }
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
    stuffing s = {to, 0, 1};
    for (size_t k = 0; k < BB_HEAD; k++) {
        put(&s, head[k]);
    }
    for (size_t k = 0; k < size; k++) {
        put(&s, body[k]);
    }
    for (size_t k = 0; k < BB_CRC; k++) {
        put(&s, check[k]);
    }
    s.to[s.code] = (uint8_t)(s.next - s.code);
    s.to[s.next++] = 0;
    return s.next;
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
