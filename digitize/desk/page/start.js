// Asks the desk at once, while the rest of the page is still being loaded.

import { ask } from "./api.js";

export const first = ["state", "result", "mold"].map((name) => ask(name));
for (const one of first) one.catch(() => {}); // whoever waits for it says so
