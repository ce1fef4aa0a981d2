/* What the harness puts before statements of the translated C to see what it holds there; defined by the glue. */

#ifndef TALLY_TIE_H
#define TALLY_TIE_H

/* The C has come to tied line `number`; `variables` are copies of those in reach there, `sizes` (at most 8 bytes of each)
 * what counts. The harness may put registers right, and the copies. */
void tally_tie(unsigned number, unsigned count, void *const *variables, const unsigned char *sizes);

/* A copy of a variable, so that its own place is no business of anybody's; and the bytes of it that count. */
#define TALLY_COPY(variable) (void *)&(__typeof__(variable)){variable}
#define TALLY_BYTES(variable) (sizeof(variable) < 8 ? sizeof(variable) : 8)

#endif
