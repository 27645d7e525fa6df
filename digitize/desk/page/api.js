// Talks to the desk. The token came after the hash sign of the address; it is kept for reloads of this tab.

const KEPT = "desk token";

function token() {
  const told = location.hash.slice(1);
  if (/^[\w-]{20,}$/.test(told)) {
    sessionStorage.setItem(KEPT, told);
    history.replaceState(null, "", location.pathname);
  }
  return sessionStorage.getItem(KEPT) ?? "";
}

const headers = { Authorization: `Bearer ${token()}` };

export class Refused extends Error {
  constructor(status, text, remedy) {
    super(remedy ? `${text} ${remedy}` : text);
    this.status = status;
  }
}

async function answered(path, options) {
  let answer;
  try {
    answer = await fetch(path, options);
  } catch {
    throw new Refused(0, "The desk does not answer.", "Was it stopped? Start it again and open its new address.");
  }
  if (answer.ok) return answer;
  const told = await answer.json().catch(() => ({}));
  throw new Refused(answer.status, told.text ?? `The desk answered ${answer.status}.`, told.remedy);
}

export async function ask(name) {
  return (await answered(`/api/${name}`, { headers })).json();
}

export async function tell(name, body = null) {
  const options = {
    method: "POST",
    headers: { ...headers, "Content-Type": "application/json" },
    body: JSON.stringify(body),
  };
  return (await answered(`/api/${name}`, options)).json();
}

export async function blob(path) {
  return (await answered(`/api/${path}`, { headers })).blob();
}

// Saves a file of the results ("file/outline.dxf") or of the mold ("mold/layer.dxf").
export async function save(path) {
  const address = URL.createObjectURL(await blob(path));
  const link = document.createElement("a");
  link.href = address;
  link.download = path.split("/").at(-1);
  link.click();
  setTimeout(() => URL.revokeObjectURL(address), 60000);
}
