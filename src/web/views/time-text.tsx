// Points in time as people read them: UTC first, then the reader's own time, both named.
import type { JSX } from 'preact';

const digits = (number: number): string => String(number).padStart(2, '0');

/** `2027-03-14 02:15:40 UTC` (the order of ISO 8601, seconds rounded down) */
export function utcText(milliseconds: number): string {
  return `${new Date(milliseconds).toISOString().slice(0, 19).replace('T', ' ')} UTC`;
}

/** `03:15:40 GMT+1`, with the date where it is another one than in UTC. */
export function localText(milliseconds: number): string {
  const time = new Date(milliseconds);
  const zone = new Intl.DateTimeFormat('en', { timeZoneName: 'short' })
    .formatToParts(time)
    .find(({ type }) => type === 'timeZoneName');
  const date = `${time.getFullYear()}-${digits(time.getMonth() + 1)}-${digits(time.getDate())}`;
  const clock = `${digits(time.getHours())}:${digits(time.getMinutes())}:${digits(time.getSeconds())} ${zone?.value ?? ''}`;
  return date === time.toISOString().slice(0, 10) ? clock : `${date} ${clock}`;
}

export function TimeText({ at }: { readonly at: number }): JSX.Element {
  return (
    <time dateTime={new Date(at).toISOString()}>
      {utcText(at)} <span class="dim">(local {localText(at)})</span>
    </time>
  );
}
