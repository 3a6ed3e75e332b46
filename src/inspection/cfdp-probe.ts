// The CCSDS File Delivery Protocol (CCSDS 727.0-B-5): proven by PDUs whose lengths add up to their units, of few transactions, and
// by their CRCs where they have one. Tells the transactions with what they name.
import { CfdpDecoder, type Transaction } from '../layers/cfdp.js';
import { hasPduCrc, pduBytesAt, sourceAt } from '../layers/cfdp-header.js';
import { chainStart, garbageBefore } from './chain-start.js';
import { type Finding, outOf } from './finding.js';
import type { Tape } from './tape.js';

/** What was seen of one transaction. Names are as sent: untrusted. */
export type CfdpTransaction = {
  readonly source: number;
  readonly sequence: number;
  name: string | undefined;
  /** By Metadata or EOF. */
  bytes: number | undefined;
  /** File bytes in File Data PDUs, those sent twice counted twice. */
  received: number;
};

export type CfdpGuess = { readonly transactions: readonly CfdpTransaction[]; readonly pdus: number };

const MIN_PDUS = 3;
const MIN_CHAIN = 4;
const MIN_BARE = 16;
const BARE_SHARE = 0.5;
/** Transactions told apart. */
const MAX_LISTED = 64;

export function probeCfdp(tape: Tape): Finding[] {
  const survey = new CfdpSurvey();
  tape.play(survey.decoder);
  const counts = survey.decoder.counts();
  const pdus = ['File Data', 'Metadata', 'EOF'].reduce((sum, kind) => sum + (counts[kind] ?? 0), 0);
  const { transactions = 0, damaged = 0 } = counts;
  // A CRC is no accident; without, lengths alone must add up, and PDUs belong to few transactions.
  const withoutCrc = !tape.hasUnits || tape.units().some(({ start }) => !hasPduCrc(tape.data, start));
  if (pdus < MIN_PDUS || damaged > (withoutCrc ? 0.2 : 0.5) * (pdus + damaged) || transactions > pdus / 2) return [];
  return [
    {
      layer: 'cfdp',
      options: {},
      proof: `${outOf(pdus, pdus + damaged)} PDUs whose lengths add up${withoutCrc ? '' : ', CRCs right'}, of ${transactions} transactions`,
      counts,
      explained: tape.data.length - survey.damagedBytes - (counts['skippedBytes'] ?? 0),
      level: 'innermost',
      tape: undefined,
      cfdp: { transactions: survey.transactions, pdus },
    },
  ];
}

/** PDUs one after the other in a recording. */
export function probeBareCfdp(tape: Tape): Finding[] {
  const { data } = tape;
  const first = chainStart(data.length, MIN_CHAIN, (at, start) => {
    const size = pduBytesAt(data, at, data.length);
    // One sender writes its identifiers with one length: lengths alone lead through noise too easily.
    const isAlike = size > 0 && at + size <= data.length && lengthsAt(data, at) === lengthsAt(data, start);
    return isAlike && sourceAt(data, at) === sourceAt(data, start) ? at + size : -1;
  });
  if (first < 0) return [];
  // Without units around them a few may be an accident.
  return probeCfdp(tape.from(first))
    .filter(({ explained, cfdp }) => explained >= BARE_SHARE * data.length && cfdp!.pdus >= MIN_BARE)
    .map((finding) => ({ ...finding, unknown: garbageBefore(first, 'cfdp') }));
}

/** Lengths of the identifiers, as the header's fourth byte has them. */
const lengthsAt = (data: Uint8Array, at: number): number => data[at + 3]! & 0x77;

/** Notes what the PDUs of a level, or of a whole recording, tell of their transactions. */
export class CfdpSurvey {
  readonly #transactions = new Map<string, CfdpTransaction>();
  damagedBytes = 0;
  readonly decoder: CfdpDecoder = new CfdpDecoder(
    {},
    {
      fileData: (transaction, _offset, _bytes, start, end) => {
        const own = this.#of(transaction);
        if (own) own.received += end - start;
      },
      metadata: (transaction, { name, bytes }) => {
        const own = this.#of(transaction);
        if (own) Object.assign(own, { name, bytes: bytes || own.bytes });
      },
      eof: (transaction, { bytes }) => {
        const own = this.#of(transaction);
        if (own) own.bytes = bytes;
      },
      damaged: (_bytes, start, end) => {
        this.damagedBytes += end - start;
      },
    },
  );

  get transactions(): CfdpTransaction[] {
    return [...this.#transactions.values()];
  }

  #of({ source, sequence }: Transaction): CfdpTransaction | undefined {
    const key = `${source} ${sequence}`;
    const known = this.#transactions.get(key);
    if (known || this.#transactions.size >= MAX_LISTED) return known;
    const made: CfdpTransaction = { source, sequence, name: undefined, bytes: undefined, received: 0 };
    this.#transactions.set(key, made);
    return made;
  }
}
