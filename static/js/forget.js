// Pages kept on a tablet belong to who was signed in: before somebody else signs in, they go.
if ("caches" in globalThis)
  caches.keys().then((names) => names.filter((name) => name.endsWith("-pages")).forEach((name) => caches.delete(name)));
