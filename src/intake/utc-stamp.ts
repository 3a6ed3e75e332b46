// The UTC time in a recorder's file name, as is common practice: ISO 8601, basic or extended, `Z` at its end. File names that
// cannot hold a colon have a hyphen instead, and some recorders write a hyphen for the `T`.

const dateAndTime = String.raw`(?<!\d)(\d{4})(-?)(\d{2})\2(\d{2})[T_-](\d{2})([:-]?)(\d{2})\6(\d{2})(?:[.,](\d{1,9}))?`;
const stamp = new RegExp(`${dateAndTime}Z(?![A-Za-z0-9])`, 'i');

/** A date and time at the end of a name, `Z` or not. */
export const trailingStamp: RegExp = new RegExp(`${dateAndTime}Z?$`, 'i');

/**
 * The first UTC stamp in `name`, as milliseconds since 1970 UTC; `undefined` where there is none.
 * A time without `Z` is not taken: nobody knows its zone.
 */
export function readUtcStamp(name: string): number | undefined {
  const match = stamp.exec(name);
  if (!match) return undefined;
  const [, year, , month, day, hour, , minute, second, fraction = ''] = match;
  const wholeSeconds = `${year}-${month}-${day}T${hour}:${minute}:${second}`;
  const time = Date.parse(`${wholeSeconds}Z`);
  // Days that do not exist are rolled over or refused, depending on the day.
  if (Number.isNaN(time) || new Date(time).toISOString().slice(0, 19) !== wholeSeconds) return undefined;
  return time + Math.floor(Number(`0.${fraction || 0}`) * 1000);
}
