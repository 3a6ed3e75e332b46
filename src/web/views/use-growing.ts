// Long lists are put up piece by piece, so that the page answers at once; nothing has to be scrolled to for the rest to come.
import { useEffect, useState } from 'preact/hooks';

const FIRST = 60;
const PIECE = 120;

/** How many of `total` items to show by now; `all` = at once. */
export function useGrowing(total: number, all: boolean): number {
  const [shown, setShown] = useState(FIRST);
  useEffect(() => {
    if (all || shown >= total) return;
    const timer = setTimeout(() => setShown(shown + PIECE), 30);
    return () => clearTimeout(timer);
  }, [shown, total, all]);
  return all ? total : Math.min(total, shown);
}
