/* The board without its chip: commands, captures, losses, and what is to be sent, in plain C.
 *
 * A port gives it the converter, the clock and the memory of the chip, feeds it what comes, and sends
 * what it has made. No memory is taken from a heap, nothing is waited for, nothing is shared with an
 * interrupt: the port calls all of this from its main loop.
 */
#ifndef BB_BOARD_H
#define BB_BOARD_H

#include "calibration.h"
#include "capture.h"
#include "inputs.h"
#include "ring.h"

/* What the chip does for it. Figures of failure go into Reply.detail; 0 is none. */
typedef struct {
    uint64_t (*clock)(void);                                /* ticks since the start of the firmware */
    /* Starts converter and edges; tick of row 0. It may not hand over rows or edges before it returns. */
    uint32_t (*begin)(const bb_mode *mode, uint64_t *tick);
    /* Stops them. It may hand over what it still has, by bb_board_edge and bb_board_rows, before it returns. */
    void (*end)(void);
    uint32_t (*load)(uint8_t copy, uint8_t *to, size_t size);         /* a copy of the calibration record */
    uint32_t (*store)(uint8_t copy, const uint8_t *from, size_t size); /* erases and writes it */
    void (*restart)(int as_drive);
    void (*light)(int on);
    float (*supply_v)(void);
    float (*temperature_c)(void);
    uint8_t (*failed)(void); /* bits of Status.flags */
} bb_port;

typedef struct bb_board bb_board;

/* serial: at most 15 characters. reason: BB_REASON_POWER, BB_REASON_WATCHDOG or BB_REASON_ASKED. */
void bb_board_init(bb_board *b, const bb_port *port, const char *serial, uint8_t reason);

/* From the program: bytes as they came. */
void bb_board_received(bb_board *b, const uint8_t *data, size_t size);

/* From the converter: rows in order, 12 bits in 16, `inputs` of the mode a row. Edges up to the end of these
 * rows have been handed over before. */
void bb_board_rows(bb_board *b, const uint16_t *samples, size_t rows);

/* From the converter: so many rows were overwritten before they could be taken. */
void bb_board_rows_lost(bb_board *b, uint64_t rows);

/* From an edge input: board clock, which way the line went. In time order for each input. */
void bb_board_edge(bb_board *b, uint8_t input, uint64_t tick, int rising);
void bb_board_edges_lost(bb_board *b, uint8_t input, uint32_t count);

/* As often as the port can: status, stalls, the light, the end of a capture that nobody reads. */
void bb_board_poll(bb_board *b);

/* To the program: the oldest bytes not sent yet (their number; `data` is where they are), and how many of
 * them have gone. */
size_t bb_board_to_send(const bb_board *b, const uint8_t **data);
void bb_board_sent(bb_board *b, size_t size);

/* The line to the program was closed or reset: what was half sent is dropped, a capture ends. */
void bb_board_line_gone(bb_board *b);

/* Its insides, so that a port can have one in static memory. */
struct bb_board {
    const bb_port *port;
    const char *serial;
    uint32_t sequence; /* of the next frame */
    uint64_t status_tick, taken_tick, show_until;
    uint32_t refused, stalls;
    uint8_t stalled, greeted;
    uint8_t lit;       /* 2: not set yet */
    uint8_t restarts;  /* Restart was answered: nothing is taken any more */
    uint8_t as_drive;
    uint64_t restart_tick;
    bb_figures figures; /* in use */
    bb_records records;
    bb_capture capture;
    bb_decoder decoder;
    bb_ring ring;
};

#endif
