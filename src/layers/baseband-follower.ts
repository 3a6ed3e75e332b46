// Which baseband header stands just behind the record of another one, and so how many bytes of a mode adaptation header come before
// each: told by how far headers are apart.
import { KBCH_BYTES } from './baseband-header.js';
import type { HeaderReader } from './baseband-scrambler.js';
import { MODE_ADAPTATION_BYTES, mayEndAt } from './mode-adaptation.js';

/** How many pairs of headers tell the mode adaptation header. */
const MAX_VOTES = 16;

/** `ahead`: bytes of mode adaptation header before it. */
export type Follower = { readonly at: number; readonly ahead: number; readonly isSameKind: boolean };

/**
 * The header just behind the record of the header at `at`, whatever bytes stand between: the nearest, rather of the same kind.
 *
 * @param limit where the last header may begin, all of it being there
 */
export function findFollower(
  bytes: Uint8Array,
  headers: HeaderReader,
  at: number,
  limit: number,
): Follower | undefined {
  const dataEnd = headers.dataEndAt(bytes, at);
  const kind = headers.kindAt(bytes, at);
  const ends = [dataEnd, ...KBCH_BYTES.map((kbch) => at + kbch).filter((end) => end > dataEnd)];
  const followers = MODE_ADAPTATION_BYTES.flatMap((ahead) =>
    ends
      .map((end) => end + ahead)
      .filter((next) => next <= limit && headers.isHeaderAt(bytes, next) && mayEndAt(bytes, next, ahead))
      .map((next) => ({ at: next, ahead, isSameKind: headers.kindAt(bytes, next) === kind })),
  );
  return followers.sort((a, b) => Number(b.isSameKind) - Number(a.isSameKind) || a.at - b.at)[0];
}

/** Bytes of mode adaptation header, by the headers from `at` to `limit`; `undefined` where they do not tell. */
export function learnAhead(bytes: Uint8Array, headers: HeaderReader, at: number, limit: number): number | undefined {
  const votes = MODE_ADAPTATION_BYTES.map(() => 0);
  for (let place = at, seen = 0; place <= limit && seen < MAX_VOTES; ) {
    const follower = headers.isHeaderAt(bytes, place) ? findFollower(bytes, headers, place, limit) : undefined;
    if (follower) {
      seen++;
      votes[MODE_ADAPTATION_BYTES.indexOf(follower.ahead)]! += follower.isSameKind ? 2 : 1;
    }
    place = follower ? follower.at : place + 1;
  }
  const most = Math.max(...votes);
  return most >= 2 ? MODE_ADAPTATION_BYTES[votes.indexOf(most)] : undefined;
}
