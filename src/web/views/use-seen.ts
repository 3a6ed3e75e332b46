// Drawings of long lists are made when they come near the screen, and kept from then on.
import type { RefObject } from 'preact';
import { useEffect, useState } from 'preact/hooks';

const arrivals = new WeakMap<Element, () => void>();
const observer =
  typeof IntersectionObserver === 'undefined'
    ? undefined
    : new IntersectionObserver(
        (entries) => {
          for (const { isIntersecting, target } of entries) if (isIntersecting) arrivals.get(target)?.();
        },
        { rootMargin: '300px' },
      );

/** Whether the element of `ref` has been near the screen; `always` = do not wait for that. */
export function useSeen(ref: RefObject<Element | null>, always: boolean): boolean {
  const [seen, setSeen] = useState(observer === undefined);
  useEffect(() => {
    const element = ref.current;
    if (seen || !element || !observer) return;
    arrivals.set(element, () => setSeen(true));
    observer.observe(element);
    return () => observer.unobserve(element);
  }, [seen]);
  return seen || always;
}
