#include "ring.h"

void bb_ring_init(bb_ring *r) {
    r->tail = r->used = 0;
    r->within = 0;
}

static size_t head_of(const bb_ring *r) {
    size_t at = r->tail + r->used;
    return at < BB_RING_LENGTH ? at : at - BB_RING_LENGTH;
}

void bb_ring_zero(bb_ring *r) {
    if (r->used < BB_RING_SIZE) {
        r->data[head_of(r)] = 0;
        r->used++;
    }
}

int bb_ring_add(bb_ring *r, int answer, uint8_t type, uint32_t sequence, uint64_t clock,
                const uint8_t *body, size_t size) {
    size_t head = head_of(r);
    size_t frame = bb_encode(r->data + head, type, sequence, clock, body, size);
    size_t most = answer ? BB_RING_SIZE : BB_RING_SIZE - BB_RING_RESERVE;
    if (!frame || r->used + frame > most) {
        return 0;
    }
    if (head + frame > BB_RING_LENGTH) {
        memcpy(r->data, r->data + BB_RING_LENGTH, head + frame - BB_RING_LENGTH);
    }
    r->used += frame;
    return 1;
}

size_t bb_ring_oldest(const bb_ring *r, const uint8_t **data) {
    size_t whole = BB_RING_LENGTH - r->tail;
    *data = r->data + r->tail;
    return r->used < whole ? r->used : whole;
}

void bb_ring_gone(bb_ring *r, size_t size) {
    if (size > r->used) {
        size = r->used;
    }
    if (!size) {
        return;
    }
    size_t last = r->tail + size - 1;
    r->within = r->data[last < BB_RING_LENGTH ? last : last - BB_RING_LENGTH] != 0;
    r->used -= size;
    r->tail = last + 1 < BB_RING_LENGTH ? last + 1 : last + 1 - BB_RING_LENGTH;
}

void bb_ring_cut(bb_ring *r) {
    while (r->within && r->used && r->data[r->tail]) {
        r->tail = r->tail + 1 < BB_RING_LENGTH ? r->tail + 1 : 0;
        r->used--;
    }
}
