/* What the parts of the board call of each other. */
#ifndef BB_INSIDE_H
#define BB_INSIDE_H

#include "board.h"

/* Status is told so often, in ticks, capturing and not; who takes nothing for so long stalls, and is gone. */
#define BB_STATUS_TICKS (BB_CLOCK_HZ / 10)
#define BB_IDLE_TICKS BB_CLOCK_HZ
#define BB_STALL_TICKS (BB_CLOCK_HZ / 20)
#define BB_GONE_TICKS (2 * BB_CLOCK_HZ)

#define BB_FLAG_FLASH 4u

/* Where Start fails besides in the port: there is no room to say that it has begun. */
#define BB_NO_ROOM 0x80000001u

/* Whether there was room for a message. answer: it may use the room that is kept for answers. */
int bb_send(bb_board *b, int answer, uint8_t type, const uint8_t *body, size_t size);

/* Begins a capture; Outcome. */
uint8_t bb_start_capture(bb_board *b, uint8_t number, uint32_t *detail);

/* Ends it, if there is one: the rest of it and Stopped are sent. */
void bb_stop_capture(bb_board *b, uint8_t reason);

/* Answers a command, after all else that it makes the board send. */
void bb_command(bb_board *b, const bb_frame *f);

#endif
