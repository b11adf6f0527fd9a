/* What the light says. One figure a state, told apart by a person who looks for two seconds:
 *
 *   asked to show itself (Blink)           quick blinking, eight a second
 *   a self-check failed                    three flashes, then dark, every two seconds
 *   capturing                              one even blink a second
 *   a program has greeted it, and waits    steadily lit
 *   on its own                             one short flash every two seconds
 */
#ifndef BB_LIGHT_H
#define BB_LIGHT_H

#include <stdint.h>

typedef enum { BB_LIGHT_SHOWING, BB_LIGHT_FAULTY, BB_LIGHT_CAPTURING, BB_LIGHT_GREETED, BB_LIGHT_ALONE } bb_light_state;

/* Whether it is lit. clock: ticks. */
int bb_light(bb_light_state state, uint64_t clock);

#endif
