/* Frames of the wire: byte stuffing, checksum, and a decoder that takes bytes as they come.
 *
 * No memory is taken from a heap, nothing is waited for. What a frame is stands in ../protocol.md.
 */
#ifndef BB_FRAMES_H
#define BB_FRAMES_H

#include <stddef.h>
#include <stdint.h>

#include "protocol.h"

/* A frame before byte stuffing, and after it with the zero that ends it (one byte more in 254). */
#define BB_MOST_PLAIN (BB_HEAD + BB_MOST_BODY + BB_CRC)
#define BB_MOST_STUFFED (BB_MOST_PLAIN + BB_MOST_PLAIN / 254 + 1)
#define BB_MOST_FRAME (BB_MOST_STUFFED + 1)

/* CRC-32 as in zlib (ISO 3309); begin with crc = 0, go on with what came out. */
uint32_t bb_crc32(uint32_t crc, const uint8_t *data, size_t size);

/* Bytes written to `to`, which has room for BB_MOST_FRAME; 0 where the body is too long. */
size_t bb_encode(uint8_t *to, uint8_t type, uint32_t sequence, uint64_t clock, const uint8_t *body,
                 size_t size);

typedef enum {
    BB_FRAME = 0,       /* in order */
    BB_STUFFING,        /* byte stuffing broken */
    BB_SHORT,           /* shorter than a frame */
    BB_LONG,            /* longer than a frame */
    BB_CHECKSUM,        /* checksum wrong */
} bb_verdict;

typedef struct {
    bb_verdict verdict;
    uint8_t type;
    uint32_t sequence;
    uint64_t clock;
    const uint8_t *body; /* good until the next byte is fed */
    size_t size;
} bb_frame;

typedef struct {
    uint8_t data[BB_MOST_STUFFED];
    size_t size;
    int too_long;
} bb_decoder;

void bb_decoder_init(bb_decoder *d);

/* 1 where this byte completed a frame or something refused: then `found` says what. */
int bb_feed(bb_decoder *d, uint8_t byte, bb_frame *found);

#endif
