/* What is to be sent: whole frames go in, bytes go out, oldest first. */
#ifndef BB_RING_H
#define BB_RING_H

#include "frames.h"

/* Bytes that it holds; of these kept free for answers. 96 kB are 0.11 s of a capture at full rate. */
#ifndef BB_RING_SIZE
#define BB_RING_SIZE 98304
#endif
#ifndef BB_RING_RESERVE
#define BB_RING_RESERVE 8192
#endif

/* A frame is stuffed where it will stand, and its size is known only then: so there is always room for one
 * more, and behind the end a place into which one may run on before that part is moved to the beginning. */
#define BB_RING_LENGTH (BB_RING_SIZE + BB_MOST_FRAME)

typedef struct {
    uint8_t data[BB_RING_LENGTH + BB_MOST_FRAME];
    size_t tail, used; /* the oldest byte; how many */
    int within;        /* the last byte that went ended no frame */
} bb_ring;

void bb_ring_init(bb_ring *r);

/* A zero byte by itself, which ends what a receiver has half of. */
void bb_ring_zero(bb_ring *r);

/* Whether there was room for this frame. answer: it may use what is kept free for answers. */
int bb_ring_add(bb_ring *r, int answer, uint8_t type, uint32_t sequence, uint64_t clock,
                const uint8_t *body, size_t size);

/* The oldest bytes, as many as lie together. */
size_t bb_ring_oldest(const bb_ring *r, const uint8_t **data);

/* So many of them have gone. */
void bb_ring_gone(bb_ring *r, size_t size);

/* Drops the rest of a frame of which a part has gone, but for the zero that ends it. */
void bb_ring_cut(bb_ring *r);

#endif
