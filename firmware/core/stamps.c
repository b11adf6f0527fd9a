#include "stamps.h"

/* Times beyond this would not fit a number of 63 bits with its direction; the clock gets there never. */
#define MOST_TICKS (UINT64_C(1) << 62)

void bb_stamps_init(bb_stamps *s) {
    s->first = s->count = s->lost = s->untold = 0;
    s->newest = 0;
}

uint32_t bb_stamps_add(bb_stamps *s, uint64_t ticks, int rising) {
    if (ticks < s->newest || ticks >= MOST_TICKS || s->count == BB_MOST_STAMPS) {
        bb_stamps_lose(s, 1);
        return 1;
    }
    uint32_t at = (s->first + s->count) % BB_MOST_STAMPS;
    s->twice[at] = ticks << 1 | (rising ? 1u : 0u);
    s->before[at] = s->lost;
    s->lost = 0;
    s->newest = ticks;
    s->count++;
    return 0;
}

void bb_stamps_lose(bb_stamps *s, uint32_t count) { s->lost = bb_sum(s->lost, count); }

/* Nearly every number fits a word, and the chip has no wider ones. */
static uint8_t *put_leb128(uint8_t *to, uint64_t number) {
    while (number >> 32) {
        *to++ = (uint8_t)(number | 0x80);
        number >>= 7;
    }
    uint32_t rest = (uint32_t)number;
    while (rest > 0x7F) {
        *to++ = (uint8_t)(rest | 0x80);
        rest >>= 7;
    }
    *to++ = (uint8_t)rest;
    return to;
}

size_t bb_stamps_take(bb_stamps *s, uint8_t input, uint64_t end, uint8_t *body, uint16_t *count) {
    uint8_t *to = body + BB_EDGES_SIZE;
    const uint64_t end_twice = end << 1; /* a time before `end`, either way, lies below */
    uint64_t last = 0;                   /* twice, without the direction */
    bb_edges m = {.input = input};
    while (s->count && m.count < BB_MOST_EDGES) {
        uint64_t twice = s->twice[s->first];
        if (twice >= end_twice || (m.count && s->before[s->first])) {
            break;
        }
        if (!m.count) {
            s->untold = bb_sum(s->untold, s->before[s->first]);
            m.first = twice >> 1;
            last = twice & ~UINT64_C(1);
        }
        to = put_leb128(to, twice - last);
        last = twice & ~UINT64_C(1);
        m.count++;
        s->first = (s->first + 1) % BB_MOST_STAMPS;
        s->count--;
    }
    m.lost = s->untold < UINT16_MAX ? (uint16_t)s->untold : UINT16_MAX;
    bb_put_edges(body, &m);
    *count = m.count;
    return m.count ? (size_t)(to - body) : 0;
}

void bb_stamps_told(bb_stamps *s, int sent, uint16_t count) {
    s->untold = sent ? 0 : bb_sum(s->untold, count);
}
